"""The simulated home through time: counters, days, faults and truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, iso, parse_iso
from watcher.simulate.faults import Fault, FaultKind
from watcher.simulate.plant import OperatingState
from watcher.simulate.scenario import Scenario
from watcher.simulate.sky import DayType
from watcher.simulate.world import InverterView, MeterView, World

START = parse_iso("2026-06-08T00:00Z")
NOON = START + 12 * HOUR_MS
MakeWorld = Callable[..., World]


def inverter(world: World, at_ms: int) -> InverterView:
    world.advance(at_ms)
    view = world.inverter()
    assert view is not None
    return view


def meter(world: World, at_ms: int) -> MeterView:
    world.advance(at_ms)
    view = world.meter()
    assert view is not None
    return view


def counted(world: World) -> tuple[object, ...]:
    one, two = world.inverter(), world.meter()
    assert one is not None
    assert two is not None
    return one.energy_wh, one.input_energy_wh, two.export_wh, two.import_wh


@pytest.mark.parametrize("step_ms", [7 * SECOND_MS * 60 + 1, HOUR_MS, 13 * HOUR_MS], ids=iso)
def test_energy_does_not_depend_on_how_time_was_stepped(make_world: MakeWorld, demo: Scenario, step_ms: int) -> None:
    faults = (Fault(FaultKind.INPUT_OPEN, START + 10 * HOUR_MS, START + 30 * HOUR_MS, input=2),)
    end_ms = START + 2 * DAY_MS - 17 * SECOND_MS
    facts = {"sky": DayType.BROKEN, "meter": replace(demo.meter, step_wh=1)}
    by_minutes, otherwise = make_world(*faults, **facts), make_world(*faults, **facts)
    for now_ms in range(START, end_ms, MINUTE_MS):
        by_minutes.advance(now_ms)
    for now_ms in range(START, end_ms, step_ms):
        otherwise.advance(now_ms)
    by_minutes.advance(end_ms)
    otherwise.advance(end_ms)
    assert counted(by_minutes) == counted(otherwise)
    assert by_minutes.truth() == otherwise.truth()
    assert by_minutes.inverter() == otherwise.inverter()


@settings(max_examples=20, deadline=None)
@given(stops=st.lists(st.integers(0, DAY_MS), max_size=30))
def test_counters_never_fall_and_end_the_same_wherever_time_stops(make_world: MakeWorld, stops: list[int]) -> None:
    world, other = make_world(sky=DayType.BROKEN), make_world(sky=DayType.BROKEN)
    before: tuple[object, ...] = counted(world)
    for stop in sorted(stops):
        world.advance(START + stop)
        now = counted(world)
        assert before[0] <= now[0]  # type: ignore[operator]
        assert before[2] <= now[2]  # type: ignore[operator]
        before = now
    world.advance(START + DAY_MS)
    other.advance(START + DAY_MS)
    assert counted(world) == counted(other)


def test_the_same_seed_is_the_same_world_and_another_is_not(make_world: MakeWorld) -> None:
    worlds = [make_world(seed=seed, sky=DayType.BROKEN) for seed in (4, 4, 5)]
    one, same, other = (inverter(world, NOON + 3 * SECOND_MS) for world in worlds)
    assert one == same
    assert one.energy_wh != other.energy_wh


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("start", "sky", "low_wh", "high_wh"),
    [
        ("2026-06-08T00:00Z", DayType.CLEAR, 18_000, 26_000),
        ("2026-12-10T00:00Z", DayType.CLEAR, 500, 6_000),
        ("2026-12-10T00:00Z", DayType.BROKEN, 500, 6_000),
    ],
)
def test_a_day_brings_what_days_bring(
    make_world: MakeWorld, seed: int, start: str, sky: DayType, low_wh: int, high_wh: int
) -> None:
    # a home of 4 kWp facing east and west: common practice, no source
    world = make_world(seed=seed, start=start, sky=sky)
    before = inverter(world, world.now_ms).energy_wh
    assert low_wh < inverter(world, world.now_ms + DAY_MS).energy_wh - before < high_wh


def test_the_meter_counts_what_arrives_with_its_own_error_in_its_own_steps(make_world: MakeWorld) -> None:
    world = make_world()
    start, begun = inverter(world, START).energy_wh, meter(world, START)
    end, done = inverter(world, START + 3 * DAY_MS).energy_wh, meter(world, START + 3 * DAY_MS)
    ratio = (done.export_wh - begun.export_wh) / (end - start)
    assert 1.0 < ratio < 1.006  # 0.6 % fast, less the cable
    assert done.export_wh % 100 == 0
    assert done.import_wh % 100 == 0


def test_standby_is_imported_slowly_at_night(make_world: MakeWorld, demo: Scenario) -> None:
    world = make_world(meter=replace(demo.meter, step_wh=1))
    begun = meter(world, START)
    assert begun.power_w < 0
    assert 2 <= meter(world, START + 3 * HOUR_MS).import_wh - begun.import_wh <= 10


def test_by_night_the_inverter_sleeps_and_answers(make_world: MakeWorld) -> None:
    view = inverter(make_world(), START + HOUR_MS)
    assert view.plant.state is OperatingState.SLEEPING
    assert view.plant.ac_power_w == 0
    assert [state.power_w for state in view.plant.inputs] == [0, 0]
    assert view.plant.ac_voltage_v > 230


def test_case_a6_an_interface_fed_from_the_array_is_silent_at_night(make_world: MakeWorld, demo: Scenario) -> None:
    world = make_world(inverter=replace(demo.inverter, interface="dc"))
    world.advance(START + HOUR_MS)
    assert world.inverter() is None
    assert inverter(world, NOON).plant.state is OperatingState.MPPT


@pytest.mark.parametrize(
    ("voltage", "low", "high"), [("open-circuit", 1.12, 1.3), ("none", 0, 0), ("drifting", 0.02, 1.3)]
)
def test_an_open_input_carries_no_current_and_shows_its_cause_by_its_voltage(
    make_world: MakeWorld, voltage: str, low: float, high: float
) -> None:
    world = make_world(Fault(FaultKind.INPUT_OPEN, START, input=2, voltage=voltage))
    healthy = inverter(make_world(), NOON).plant
    broken = inverter(world, NOON).plant
    assert broken.inputs[1].current_a == 0
    assert low <= broken.inputs[1].voltage_v / healthy.inputs[1].voltage_v <= high
    assert broken.inputs[0] == healthy.inputs[0]
    assert broken.ac_power_w < 0.65 * healthy.ac_power_w


def test_a_drifting_voltage_drifts(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.INPUT_OPEN, START, input=2, voltage="drifting"))
    volts = [inverter(world, NOON + n * MINUTE_MS).plant.inputs[1].voltage_v for n in range(30)]
    assert max(volts) - min(volts) > 60


def test_case_g1_one_of_two_parallel_strings_halves_the_current_at_normal_voltage(
    make_world: MakeWorld, demo: Scenario
) -> None:
    arrays = (demo.inputs[0], replace(demo.inputs[1], parallel_strings=2))
    fault = Fault(FaultKind.PARALLEL_STRING_OPEN, START, input=2, strings=1)
    healthy = inverter(make_world(arrays=arrays), NOON).plant.inputs[1]
    broken = inverter(make_world(fault, arrays=arrays), NOON).plant.inputs[1]
    assert broken.current_a == pytest.approx(healthy.current_a / 2)
    assert broken.voltage_v == pytest.approx(healthy.voltage_v)


def test_case_g2_switched_off_on_the_ac_side_it_is_awake_without_a_grid(make_world: MakeWorld) -> None:
    view = inverter(make_world(Fault(FaultKind.GENERATION_OFF, START, side="ac")), NOON)
    assert view.plant.state is OperatingState.STANDBY
    assert (view.plant.ac_power_w, view.plant.ac_voltage_v, view.plant.frequency_hz) == (0, 0, 0)
    assert view.plant.event_bits == 1 << 4
    assert all(state.voltage_v > 150 and state.current_a == 0 for state in view.plant.inputs)


@pytest.mark.parametrize(("interface", "heard"), [("either", True), ("dc", False)])
def test_case_g2_switched_off_on_the_dc_side_it_has_nothing_to_work_with(
    make_world: MakeWorld, demo: Scenario, interface: str, heard: bool
) -> None:
    fault = Fault(FaultKind.GENERATION_OFF, START, side="dc")
    world = make_world(fault, inverter=replace(demo.inverter, interface=interface))
    world.advance(NOON)
    view = world.inverter()
    assert (view is not None) == heard
    if view is not None:
        assert view.plant.state is OperatingState.SLEEPING
        assert [state.voltage_v for state in view.plant.inputs] == [0, 0]
    assert meter(world, NOON + HOUR_MS).export_wh == meter(make_world(), START).export_wh


def test_a_stalled_meter_is_heard_stands_still_and_goes_on_from_there(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.METER_STALLED, NOON, NOON + 2 * HOUR_MS))
    still = meter(world, NOON).export_wh
    assert meter(world, NOON + 2 * HOUR_MS).export_wh == still
    assert meter(world, NOON + 3 * HOUR_MS).export_wh > still + 1000


def test_silence_of_one_device_leaves_the_other(make_world: MakeWorld) -> None:
    world = make_world(
        Fault(FaultKind.METER_SILENT, NOON, NOON + HOUR_MS),
        Fault(FaultKind.INVERTER_SILENT, NOON + HOUR_MS, NOON + 2 * HOUR_MS),
    )
    heard = []
    for hour in range(3):
        world.advance(NOON + hour * HOUR_MS)
        heard.append((world.inverter() is not None, world.meter() is not None))
    assert heard == [(True, False), (False, True), (True, True)]


def test_case_a3_a_dip_comes_back_and_a_restart_begins_a_new_series(make_world: MakeWorld) -> None:
    world = make_world(
        Fault(FaultKind.COUNTER_DIP, NOON, NOON + 10 * MINUTE_MS),
        Fault(FaultKind.COUNTER_RESTART, NOON + HOUR_MS, serial="INV-NEW"),
        Fault(FaultKind.COUNTER_RESTART, NOON + HOUR_MS, device="meter-1"),
    )
    before = inverter(world, NOON - MINUTE_MS)
    assert inverter(world, NOON).energy_wh == 0
    after = inverter(world, NOON + 10 * MINUTE_MS)
    assert 300 < after.energy_wh - before.energy_wh < 600
    assert (after.serial, meter(world, NOON + 10 * MINUTE_MS).serial) == ("INV-30418", "0417290")
    new = inverter(world, NOON + 2 * HOUR_MS)
    assert new.serial == "INV-NEW"
    assert 1500 < new.energy_wh < 3500
    assert meter(world, NOON + 2 * HOUR_MS).serial == "0417290-2"
    assert 1500 < meter(world, NOON + 2 * HOUR_MS).export_wh < 3500


def test_the_demo_goes_by_its_script_and_truth_tells_it(demo: Scenario) -> None:
    world = World(1, START, demo)
    world.advance(parse_iso("2026-06-09T12:00Z"))
    (line,) = world.truth()
    assert line.pop("loss_kwh") > 1  # type: ignore[operator]
    assert line == {
        "type": "alert", "site": "larkfield", "device": "inverter-1.input-2", "kind": "string-open",
        "cause": "voltage-open-circuit", "onset": "2026-06-09T09:20:00Z", "cleared": None, "state": "open",
    }  # fmt: skip
    world.advance(parse_iso("2026-06-14T00:00Z"))
    string, stalled = world.truth()
    assert (string["cleared"], string["state"]) == ("2026-06-10T14:00:00Z", "cleared")
    assert 8 < string["loss_kwh"] < 30  # type: ignore[operator]
    assert (stalled["device"], stalled["kind"], stalled["cause"]) == ("meter-1", "meter-stalled", "register-still")
    assert 10 < stalled["loss_kwh"] < 40  # type: ignore[operator]


@pytest.mark.parametrize(
    "fault",
    [
        Fault(FaultKind.INPUT_OPEN, NOON, NOON + HOUR_MS, input=1),
        Fault(FaultKind.GENERATION_OFF, NOON, NOON + HOUR_MS, side="ac"),
        Fault(FaultKind.GENERATION_OFF, NOON, NOON + HOUR_MS, side="dc"),
    ],
    ids=lambda fault: f"{fault.kind} {fault.side}",
)
def test_truth_is_what_a_healthy_twin_makes_more(make_world: MakeWorld, fault: Fault) -> None:
    broken, healthy = make_world(fault), make_world()
    missing = inverter(healthy, START + DAY_MS).energy_wh - inverter(broken, START + DAY_MS).energy_wh
    (line,) = broken.truth()
    assert missing > 500
    assert line["loss_kwh"] == pytest.approx(missing / 1000, abs=0.002)


def test_a_silent_meter_costs_nothing_and_what_nobody_should_find_has_no_truth(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.METER_SILENT, START), Fault(FaultKind.WEATHER_DOWN, START))
    world.advance(NOON)
    (line,) = world.truth()
    assert (line["kind"], line["loss_kwh"]) == ("meter-silent", 0)


def test_time_does_not_run_back(make_world: MakeWorld) -> None:
    world = make_world()
    world.advance(NOON)
    with pytest.raises(ValueError, match="does not go back"):
        world.advance(NOON - 1)
    with pytest.raises(ValueError, match="whole minute"):
        World(1, START + 1, world.scenario)
