"""Discovery, identity and decoding from recorded registers; no wire."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.collect.modbus.wire import INVERTER_32, INVERTER_A1, Question, at, hold, play, sunspec, words
from watcher.collect.modbus.blocks import Span, UnansweredError
from watcher.collect.modbus.models import HEADER, INVERTER_CHANNELS, METER_CHANNELS, MODELS, Point
from watcher.collect.modbus.plan import DeviceRole, measures_of, wanted_models
from watcher.collect.modbus.reader import Poll, SunSpecReader
from watcher.collect.modbus.registers import NUMBERS, scaled, text
from watcher.collect.modbus.sunspec import DeviceMap, FoundModel, NoMapError, discover, read_identity
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import DAY_MS


@pytest.fixture(scope="module")
def golden(shared_folder: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((shared_folder / "sunspec-golden.json").read_text())
    return loaded["blocks"]


BLOCKS = [
    pytest.param("A_three_phase_running", "inverter", id="A inverter"),
    pytest.param("A_three_phase_running", "meter", id="A meter"),
    pytest.param("B_single_phase_grid_trip", "inverter", id="B"),
    pytest.param("C_float_throttled", "inverter", id="C"),
    pytest.param("D_meter_overvolt", "meter", id="D"),
]


def registers(block: dict[str, Any]) -> dict[int, int]:
    return at(block["base_address"], words(block["hex"]))


def poll(device: dict[int, int], role: DeviceRole = "inverter", counts: str = "exported") -> Poll:
    return play(SunSpecReader("device-1", role, counts).poll(0), device)[0]


def stated(models: list[dict[str, Any]], ids: tuple[int, ...], names: dict[str, str]) -> dict[str, float]:
    """What the recorded decoding says of our channels, found by its own names."""
    points = next(model["points"] for model in models if model.get("model_id") in ids)
    found = {f"device-1.{name}": points[point].get("scaled", points[point]["raw"]) for point, name in names.items()}
    return {name: value for name, value in found.items() if value is not None}


@pytest.mark.parametrize("name", [param.values[0] for param in BLOCKS if param.id != "A meter"])
def test_every_point_of_the_golden_blocks_decodes_as_recorded(name: str, golden: dict[str, Any]) -> None:
    device = registers(golden[name])
    for model in golden[name]["decoded"]:
        if "points" not in model:
            continue
        layout = MODELS[model["model_id"]]
        raw = {p.name: decode(device, model["address"], p) for p in layout.points.values()}
        for point_name, recorded in model["points"].items():
            assert raw[point_name] == (None if point_name == "Pad" else recorded["raw"]), point_name
        for index, block in enumerate(model.get("module", [])):
            start = model["address"] + layout.fixed_size + index * layout.block_size
            for point_name, recorded in block.items():
                point = layout.block[point_name]
                value = decode(device, start, point)
                assert value == recorded["raw"], point_name
                if recorded.get("scaled") is not None:
                    assert scaled(value, raw[point.factor]) == recorded["scaled"]


def decode(device: dict[int, int], start: int, point: Point) -> Any:
    read = [device[start + point.offset + n] for n in range(point.size)] if start + point.offset in device else None
    if read is None:
        return None
    return text(read) if point.type == "string" else NUMBERS[point.type][1](read)


@pytest.mark.parametrize(("name", "role"), BLOCKS)
def test_a_golden_block_gives_our_channels_exactly(name: str, role: DeviceRole, golden: dict[str, Any]) -> None:
    models = golden[name]["decoded"]
    ids, names = ((101, 103, 111), INVERTER_CHANNELS) if role == "inverter" else ((201, 203), METER_CHANNELS)
    values = dict(poll(registers(golden[name]), role).decoded.values)
    inputs = {key: values.pop(key) for key in list(values) if ".input-" in key}
    assert values == stated(models, ids, dict(names))
    if name.startswith("A") and role == "inverter":
        # reference-values.md 2.7
        quantities = ("dc_current", "dc_voltage", "dc_power")
        assert [inputs[f"device-1.input-1.{name}"] for name in quantities] == [8.95, 610.3, 5462]
        assert [inputs[f"device-1.input-2.{name}"] for name in quantities] == [8.62, 610.0, 5258]
        assert values["device-1.dc_power"] == 5462 + 5258
    else:
        assert inputs == {}


@pytest.mark.parametrize(
    ("name", "said"),
    [
        (
            "A_three_phase_running",
            {"maker": "EXAMPLE WORKS", "model": "DEMO-3P-10K", "options": "opt-a", "version": "1.02.3"}
            | {"serial": "SN-0000001234"},
        ),
        (
            "D_meter_overvolt",
            {"maker": "EXAMPLE METERS", "model": "DEMO-M-1P", "version": "7", "serial": "M-42"},
        ),
    ],
)
def test_the_common_model_says_who_the_device_is(name: str, said: dict[str, str], golden: dict[str, Any]) -> None:
    device = registers(golden[name])
    assert play(read_identity(play(discover(), device)[0], 0), device)[0] == said


@pytest.mark.parametrize(
    ("counts", "index"), [("exported", 31_234_560.0), ("imported", 12_345_670.0)]
)  # reference-values.md 2.7
def test_the_index_of_a_generation_meter_is_the_register_its_fitter_chose(
    counts: str, index: float, golden: dict[str, Any]
) -> None:
    values = poll(registers(golden["A_three_phase_running"]), "generation-meter", counts).decoded.values
    assert values["device-1.energy_index"] == index
    assert values["device-1.energy_export"] == 31_234_560.0
    assert values["device-1.energy_import"] == 12_345_670.0


def test_the_first_registers_of_a_running_inverter_decode_exactly() -> None:
    # reference-values.md 2.7; the model is cut after its 32nd register and says so, so the rest is simply not there
    model = [103, 30, *INVERTER_32[2:]]
    assert poll(sunspec(model)).decoded.values == {
        "device-1.ac_current": 43.2,
        "device-1.l1.ac_current": 14.4,
        "device-1.l2.ac_current": 14.38,
        "device-1.l3.ac_current": 14.42,
        "device-1.l1.ac_voltage": 241.2,
        "device-1.l2.ac_voltage": 240.8,
        "device-1.l3.ac_voltage": 241.5,
        "device-1.ac_power": 10400.0,
        "device-1.frequency": 49.98,
        "device-1.ac_energy": 45678901.0,
    }


def test_a_model_longer_than_its_definition_is_decoded_as_far_as_we_know_it() -> None:
    longer = [101, 54, *INVERTER_A1[2:], 1, 2, 3, 4]
    assert poll(sunspec(longer)).decoded.values == poll(sunspec(INVERTER_A1)).decoded.values


@pytest.mark.parametrize("base", [40000, 0, 50000])
def test_a_map_is_found_at_each_of_its_places(base: int) -> None:
    found, asked = play(discover(), sunspec(INVERTER_A1, base=base))
    assert found.base == base
    assert [model.id for model in found.models] == [1, 101]
    assert [span.first for span in asked if span.first in (40000, 0, 50000)] == [40000, 0, 50000][
        : [40000, 0, 50000].index(base) + 1
    ]


@pytest.mark.parametrize(
    ("cut", "what"),
    [
        pytest.param(0, "the whole map", id="whole"),
        pytest.param(1, "the end model's length is missing", id="no end length"),
        pytest.param(2, "the end model is missing", id="no end at all"),
    ],
)
def test_a_map_that_stops_short_has_still_been_read(cut: int, what: str) -> None:
    device = sunspec(INVERTER_A1)
    for address in sorted(device)[len(device) - cut :]:
        del device[address]
    found, _ = play(discover(), device)
    assert [model.id for model in found.models] == [1, 101], what


def test_unknown_models_are_stepped_over_by_their_own_length() -> None:
    vendor = [64001, 7, *range(7)]
    empty = [65000, 0]
    found, _ = play(discover(), sunspec(vendor, empty, INVERTER_A1))
    assert [model.id for model in found.models] == [1, 64001, 65000, 101]
    assert poll(sunspec(vendor, empty, INVERTER_A1)).decoded.values == poll(sunspec(INVERTER_A1)).decoded.values


def test_a_length_that_ends_past_the_last_address_ends_the_walk_with_a_note() -> None:
    found, _ = play(discover(), sunspec([120, 60000]))
    assert [model.id for model in found.models] == [1]
    assert "past the last address" in found.notes[0]


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=200))
def test_no_rubbish_makes_the_walk_endless_or_fail_otherwise(rubbish: list[int]) -> None:
    device = at(40000, [0x5375, 0x6E53, *rubbish])
    try:
        _, asked = play(discover(), device)
    except NoMapError:
        return
    assert len(asked) <= 2 * len(rubbish) + 3


@pytest.mark.parametrize("code", [4, 6])
def test_a_device_in_trouble_is_not_called_a_stranger(code: int) -> None:
    with pytest.raises(UnansweredError):
        play(discover(), lambda _: code)
    device = hold(sunspec(INVERTER_A1))

    def midway(question: Question) -> Any:
        return code if question.first == 40070 else device(question)

    with pytest.raises(UnansweredError):  # nor is its map cut short
        play(discover(), midway)


def test_no_map_is_a_matter_of_setup_for_a_stranger_and_of_patience_for_a_device_seen_before() -> None:
    reader = SunSpecReader("device-1", "inverter", "exported")
    with pytest.raises(CollectError) as stranger:
        play(reader.poll(0), at(0, [0] * 100))
    assert stranger.value.remedy is Remedy.FIX_SETUP
    play(reader.poll(0), sunspec(INVERTER_A1))
    asleep = dict.fromkeys(sunspec(INVERTER_A1), 0)
    for _ in range(2):  # first its model is gone, then its map
        with pytest.raises(CollectError) as seen:
            play(reader.poll(0), asleep)
        assert seen.value.remedy is Remedy.RETRY
    assert play(reader.poll(0), sunspec(INVERTER_A1))[0].decoded.values


def test_a_device_of_the_wrong_family_is_a_matter_of_setup() -> None:
    with pytest.raises(CollectError, match="no meter model in the map, only 1, 101") as caught:
        poll(sunspec(INVERTER_A1), "meter")
    assert caught.value.remedy is Remedy.FIX_SETUP


def test_an_answer_whose_model_has_moved_is_not_decoded() -> None:
    reader = SunSpecReader("device-1", "inverter", "exported")
    play(reader.poll(0), sunspec(INVERTER_A1))
    shifted = sunspec([64001, 2, 0, 0], INVERTER_A1)
    with pytest.raises(CollectError, match="no model 101") as caught:
        play(reader.poll(60_000), shifted)
    assert caught.value.remedy is Remedy.RETRY
    assert play(reader.poll(120_000), shifted)[0].decoded.values["device-1.ac_power"] == 3158.0


def test_who_the_device_is_is_asked_when_found_when_it_has_been_away_and_daily() -> None:
    device = sunspec(INVERTER_A1) | at(40052, words("534E 3100"))
    reader = SunSpecReader("device-1", "inverter", "exported")

    def identity(now_ms: int) -> Any:
        return play(reader.poll(now_ms), device)[0].identity

    assert identity(0) == {"serial": "SN1"}
    assert identity(60_000) is None
    assert identity(DAY_MS) == {"serial": "SN1"}
    reader.away()
    assert identity(DAY_MS + 60_000) == {"serial": "SN1"}


INPUTS = (1, 2, 3, 6, 7, 11)


def inputs_model(count: int, stated: int | None = None, factors: tuple[int, ...] = (-2, -1, 0, 0)) -> list[int]:
    """A multiple-input model: input n has n.5 A, 300 + n V, 100 n W."""
    model = [
        160,
        8 + 20 * count,
        *(factor & 0xFFFF for factor in factors),
        0,
        0,
        count if stated is None else stated,
        60,
    ]
    for n in range(1, count + 1):
        model += [n, *[0] * 8, 100 * n + 50, 3000 + 10 * n, 100 * n, 0, n, 0, 0, 0x8000, 4, 0, 1 << n % 4]
    return model


@pytest.mark.parametrize("count", INPUTS)
def test_each_input_is_read_however_many_there_are(count: int) -> None:
    values = poll(sunspec(INVERTER_A1, inputs_model(count))).decoded.values
    for n in range(1, count + 1):
        assert values[f"device-1.input-{n}.dc_current"] == n + 0.5
        assert values[f"device-1.input-{n}.dc_voltage"] == 300.0 + n
        assert values[f"device-1.input-{n}.dc_power"] == 100.0 * n
        assert values[f"device-1.input-{n}.operating_state"] == 4
        assert values[f"device-1.input-{n}.event_bits"] == 1 << n % 4
    assert f"device-1.input-{count + 1}.dc_power" not in values


def test_the_number_of_inputs_a_device_states_is_only_a_cross_check() -> None:
    polled = poll(sunspec(INVERTER_A1, inputs_model(2, stated=4)))
    assert "device-1.input-2.dc_power" in polled.decoded.values
    assert "device-1.input-3.dc_power" not in polled.decoded.values
    assert polled.notes == ("model 160 states 4 inputs and has room for 2",)
    assert poll(sunspec(INVERTER_A1, inputs_model(2, stated=0xFFFF))).notes == ()  # it may also leave it open


def test_an_input_model_with_a_broken_length_gives_its_whole_inputs_and_a_note() -> None:
    model = [*inputs_model(2), 1, 2, 3]
    model[1] += 3
    polled = poll(sunspec(INVERTER_A1, model))
    assert polled.decoded.values["device-1.input-2.dc_power"] == 200.0
    assert "not that of whole inputs" in polled.notes[0]


def test_one_poll_of_an_inverter_with_two_inputs_is_one_request() -> None:
    reader = SunSpecReader("device-1", "inverter", "exported")
    device = sunspec(INVERTER_A1, inputs_model(2))
    play(reader.poll(0), device)
    _, asked = play(reader.poll(60_000), device)
    assert asked == [Span(40070, 102)]
    assert reader.plan is not None
    assert reader.plan.blocks.requests == tuple(asked)


@pytest.mark.parametrize("state", [0, 9, 65535])
def test_a_state_outside_the_standards_list_is_no_state(state: int) -> None:
    device = sunspec(INVERTER_A1)
    device[40070 + 38] = state
    assert "device-1.operating_state" not in poll(device).decoded.values


@pytest.mark.parametrize("energy", ["0000 0000", "8000 0000", "BF80 0000"])
def test_a_float_counter_that_has_counted_nothing_is_no_value_either(energy: str) -> None:
    model = [111, 60, *words("7FC0 0000") * 23, 4, *[0xFFFF] * 13]
    model[32:34] = words(energy)
    assert poll(sunspec(model)).decoded.values == {"device-1.operating_state": 4}


@given(st.lists(st.integers(0, 0xFFFF), min_size=50, max_size=50), st.sampled_from([101, 103]))
def test_any_registers_give_finite_values_of_known_channels(body: list[int], model: int) -> None:
    values = poll(sunspec([model, 50, *body])).decoded.values
    assert all(math.isfinite(value) for value in values.values())
    found = FoundModel(model, 40070, 50)
    known = measures_of([found], "device-1", "inverter", "exported")
    assert values.keys() <= {measure.channel for measure in known}


def test_a_value_and_its_factor_always_come_from_one_request_where_one_can_hold_both() -> None:
    device = sunspec(INVERTER_A1, inputs_model(2))
    reader = SunSpecReader("device-1", "inverter", "exported")
    play(reader.poll(0), lambda question: 3 if question.count > 20 else hold(device)(question))
    assert reader.plan is not None
    apart = {measure.label for measure in reader.plan.apart}
    # The factors of the input model stand at its head; only the second input lies further off than 20 registers.
    assert apart == {"160.2.DCA", "160.2.DCV", "160.2.DCW"}
    for measure in reader.plan.measures:
        assert measure in reader.plan.apart or any(r.covers(measure.together) for r in reader.plan.blocks.requests)


def test_the_first_model_of_its_family_speaks_for_the_device() -> None:
    found = DeviceMap(0, (FoundModel(1, 2, 66), FoundModel(111, 70, 60), FoundModel(101, 132, 50)))
    assert wanted_models(found, "inverter") == (FoundModel(111, 70, 60),)
    assert HEADER == 2


def test_a_point_the_device_does_not_answer_is_reported_once_and_costs_only_itself() -> None:
    device = sunspec(INVERTER_A1)
    del device[40070 + 38]  # St: a hole in the middle of the model
    reader = SunSpecReader("device-1", "inverter", "exported")
    first = play(reader.poll(0), device)[0]
    assert first.notes == ("101.St is not available",)
    assert first.decoded.values["device-1.ac_power"] == 3158.0
    assert play(reader.poll(60_000), device)[0].notes == ()
