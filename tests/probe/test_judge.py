"""What looks wrong: every fault there is a word for, and nothing on a sound device at noon, at dusk and at night."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probe.seeing import METER_AT_SITE, SITE, device_map, loaded, seen_inverter, seen_values
from watcher.probe.judge import judge
from watcher.probe.readout import Readout, shifted
from watcher.probe.seen import Facts, InputFacts, UnitSeen
from watcher.probe.suspicion import Suspect
from watcher.simulate.odd_registers import Slip, TimeOfDay, plant

NOBODY_SAID = Facts()
AS_INVERTER = Facts(role="inverter")


def suspects(seen: UnitSeen, *beside: UnitSeen) -> list[str]:
    return [str(one.suspect) for one in judge(seen, (seen, *beside)).suspicions]


@pytest.mark.parametrize("facts", [SITE, AS_INVERTER, NOBODY_SAID], ids=["site", "inverter", "nothing known"])
@pytest.mark.parametrize("time", list(TimeOfDay))
def test_nothing_is_said_of_a_sound_inverter(time: TimeOfDay, facts: Facts) -> None:
    assert suspects(seen_inverter(time=time, facts=facts)) == []


@pytest.mark.parametrize("time", [TimeOfDay.NIGHT, TimeOfDay.DUSK])
def test_what_cannot_be_told_without_power_is_said(time: TimeOfDay) -> None:
    untold = judge(seen_inverter(time=time)).untold
    assert any("Look again around noon" in line for line in untold)


def test_at_noon_only_the_counter_needs_longer() -> None:
    def still(values: dict[str, float | str], moment: int) -> None:
        values["ac_energy"] = 12_345_678.0

    assert judge(seen_inverter()).untold == ()
    (untold,) = judge(seen_inverter(change=still)).untold
    assert untold == "ac_energy did not move; whether it counts takes --seconds 120 at this power."


@pytest.mark.parametrize(
    ("facts", "needed"),
    [
        (AS_INVERTER, "the site file: --site ID"),
        (replace(SITE, inputs={"input-1": InputFacts(249.6), "input-2": InputFacts()}), "vmp_v of every array"),
    ],
)
def test_what_swapped_inputs_need_to_be_told_is_said(facts: Facts, needed: str) -> None:
    assert any(needed in line for line in judge(seen_inverter(facts=facts)).untold)


SLIPS = [
    (Slip.WORD_ORDER, Suspect.WORD_ORDER),
    (Slip.BYTE_ORDER, Suspect.BYTE_ORDER),
    (Slip.OFF_BY_ONE, Suspect.OFF_BY_ONE),
    (Slip.WRONG_TABLE, Suspect.WRONG_TABLE),
    (Slip.FACTOR, Suspect.FACTOR),
    (Slip.KILO, Suspect.KILO),
    (Slip.SIGN, Suspect.SIGN),
    (Slip.SENTINEL, Suspect.SENTINEL),
    (Slip.SWAPPED_INPUTS, Suspect.SWAPPED_INPUTS),
    (Slip.FALLS, Suspect.FALLS),
]


@pytest.mark.parametrize("facts", [SITE, AS_INVERTER], ids=["site", "inverter"])
@pytest.mark.parametrize(("slip", "suspect"), SLIPS)
def test_each_slip_of_a_map_is_one_suspicion_by_its_name(slip: Slip, suspect: Suspect, facts: Facts) -> None:
    if slip is Slip.SWAPPED_INPUTS and not facts.inputs:
        assert suspects(seen_inverter(slip, facts=facts)) == []
        return
    assert suspects(seen_inverter(slip, facts=facts)) == [suspect]


@pytest.mark.parametrize(("slip", "suspect"), [one for one in SLIPS if one[0] is not Slip.FALLS])
def test_the_fix_of_each_slip_gives_the_true_values(slip: Slip, suspect: Suspect) -> None:
    seen = seen_inverter(slip)
    fixed = judge(seen).fixed
    assert fixed is not None
    readout = Readout.of(seen, fixed)
    truth = plant(TimeOfDay.NOON, 2)
    for name in ("l1.ac_voltage", "ac_power", "ac_energy", "input-1.dc_voltage", "input-2.dc_power"):
        point = readout.find(name)
        assert point is not None
        # A register whose step is too large has lost its digits for good.
        within = {Slip.KILO: 0.5, Slip.FACTOR: 0.01}.get(slip, 1e-3)
        assert readout.values(point)[-1] == pytest.approx(float(truth[name]), rel=within), name


@pytest.mark.parametrize(
    ("slip", "change"),
    [
        (Slip.WORD_ORDER, 'word_order = "low-first"'),
        (Slip.BYTE_ORDER, 'byte_order = "low-first"'),
        (Slip.OFF_BY_ONE, "address_base = 1"),
    ],
)
def test_what_holds_for_the_whole_device_is_one_key_of_it(slip: Slip, change: str) -> None:
    (suspicion,) = judge(seen_inverter(slip)).suspicions
    assert suspicion.whole == change


@pytest.mark.parametrize(
    ("base", "by", "change"),
    [(0, -1, "address_base = 1"), (1, 1, "address_base = 0"), (0, 1, "address +1"), (1, -1, "address -1")],
)
def test_off_by_one_either_way_is_told_with_the_key_that_mends_it(base: int, by: int, change: str) -> None:
    mapped = device_map()
    counted = replace(mapped, points=tuple(replace(p, address=p.address + base) for p in mapped.points))
    built = replace(counted, points=tuple(shifted(p, by) for p in counted.points))
    moments = [plant(TimeOfDay.NOON, n) for n in range(3)]
    seen = seen_values(counted, moments, SITE, built=built)
    ((suspicion,), fixed) = (judge(seen).suspicions, judge(seen).fixed)
    assert (suspicion.suspect, suspicion.whole) == (Suspect.OFF_BY_ONE, change)
    assert fixed is not None
    assert {p.value for p in fixed.points} == {p.value for p in built.points}


def test_which_half_moves_is_said_with_the_words() -> None:
    (suspicion,) = judge(seen_inverter(Slip.WORD_ORDER)).suspicions
    assert (
        "ac_power: 092D 0000 is 1.53944e+08 as mapped, 2349 otherwise; between polls register 1 moved and 2 stood"
    ) in suspicion.evidence


COUNTERS = """
[device]
description = "a meter"
word_order = "high-first"
[[point]]
quantity = "ac_energy"
address = 0
type = "uint32"
"""


def test_a_counter_that_looks_well_either_way_is_told_by_the_half_that_moves() -> None:
    """0x0102 0x0304 Wh are 16.9 or 50.6 MWh: a home may have made either."""
    low_first = loaded(COUNTERS.replace("high-first", "low-first"))
    energies = [{"ac_energy": 0x0102_0304 + n} for n in range(3)]
    seen = seen_values(loaded(COUNTERS), energies, AS_INVERTER, built=low_first)
    (suspicion,) = judge(seen).suspicions
    assert suspicion.suspect is Suspect.WORD_ORDER
    assert "the half that moves is the low one" in suspicion.evidence[0]
    assert suspects(seen_values(low_first, energies, AS_INVERTER)) == []


def test_the_word_order_of_nought_is_not_told() -> None:
    judgement = judge(seen_values(loaded(COUNTERS), [{"ac_energy": 0.0}] * 3, AS_INVERTER))
    assert judgement.suspicions == ()
    assert "Word order cannot be told while a number is 0: ac_energy." in judgement.untold


def test_one_number_in_the_other_order_is_one_points_matter() -> None:
    mixed = device_map()
    points = tuple(
        replace(p, word_order=type(p.word_order)("low-first")) if p.name == "ac_energy" else p for p in mixed.points
    )
    built = replace(mixed, points=points)
    moments = [plant(TimeOfDay.NOON, n) for n in range(3)]
    (suspicion,) = judge(seen_values(mixed, moments, SITE, built=built)).suspicions
    assert suspicion.suspect is Suspect.WORD_ORDER
    assert suspicion.whole == ""
    assert [str(fix) for fix in suspicion.fixes] == ['word_order = "low-first"']
    assert suspicion.fixes[0].name == "ac_energy"


def test_a_temperature_below_nought_read_unsigned_is_told() -> None:
    mapped = device_map()
    unsigned = replace(
        mapped,
        points=tuple(
            replace(p, type=type(p.type)("uint16"), sentinels=frozenset()) if p.name == "temp_heatsink" else p
            for p in mapped.points
        ),
    )
    moments = [{**plant(TimeOfDay.NIGHT, n), "temp_heatsink": -7.5} for n in range(3)]
    (suspicion,) = judge(seen_values(unsigned, moments, SITE, built=mapped)).suspicions
    assert suspicion.suspect is Suspect.SIGNED
    assert str(suspicion.fixes[0]) == 'type = "int16"'


def test_a_counter_is_said_to_stand_only_after_long_enough() -> None:
    assert suspects(seen_inverter(Slip.STANDS, apart_s=5.0)) == []
    assert suspects(seen_inverter(Slip.STANDS, apart_s=59.0)) == []
    (suspicion,) = judge(seen_inverter(Slip.STANDS, apart_s=60.0)).suspicions
    assert suspicion.suspect is Suspect.STANDS
    assert str(suspicion.fixes[0]) == 'counter = "none"'


def test_a_meter_that_shows_tenths_of_a_kwh_is_given_the_time_it_takes() -> None:
    def tenths(values: dict[str, float | str], moment: int) -> None:
        values["ac_energy"] = 12_345_600.0

    judgement = judge(seen_inverter(apart_s=60.0, change=tenths))
    assert judgement.suspicions == ()
    # 400 Wh at 2349 W, on whole minutes
    assert judgement.untold == ("ac_energy did not move; whether it counts takes --seconds 660 at this power.",)
    assert suspects(seen_inverter(apart_s=330.0, change=tenths)) == [Suspect.STANDS]


def test_a_counter_that_counts_a_tenth_of_what_flows_is_a_matter_of_scale() -> None:
    def tenth(values: dict[str, float | str], moment: int) -> None:
        values["ac_energy"] = 12_345.0 + 60 * moment  # 2.35 kW make 590 Wh in a quarter of an hour

    (suspicion,) = judge(seen_inverter(apart_s=900.0, change=tenth)).suspicions
    assert suspicion.suspect is Suspect.FACTOR
    assert suspicion.points == ("ac_energy",)
    assert str(suspicion.fixes[0]) == "scale = 10.0"


@pytest.mark.parametrize(
    ("name", "times", "suspect"),
    [
        ("frequency", 10, Suspect.FACTOR),
        ("frequency", 0.1, Suspect.FACTOR),
        ("frequency", 0.01, Suspect.FACTOR),
        ("l1.ac_voltage", 10, Suspect.FACTOR),
        ("ac_current", 10, Suspect.FACTOR),
        ("ac_power", 10, Suspect.FACTOR),
        ("ac_power", 0.1, Suspect.FACTOR),
        ("ac_power", 0.001, Suspect.KILO),
        ("ac_power", 1000, Suspect.FACTOR),
        ("input-1.dc_voltage", 10, Suspect.FACTOR),
        ("input-2.dc_voltage", 0.1, Suspect.FACTOR),
    ],
)
def test_a_wrong_power_of_ten_is_found_at_the_point_that_has_it(name: str, times: float, suspect: Suspect) -> None:
    def wrong(values: dict[str, float | str], moment: int) -> None:
        values[name] = float(values[name]) * times

    (suspicion,) = judge(seen_inverter(change=wrong)).suspicions
    assert (suspicion.suspect, suspicion.points) == (suspect, (name,))


def test_two_powers_that_differ_with_no_third_to_decide_are_both_named() -> None:
    two = loaded(
        '[device]\ndescription = "x"\n'
        '[[point]]\nquantity = "ac_power"\naddress = 0\ntype = "int32"\n'
        '[[point]]\nquantity = "ac_voltage"\naddress = 2\ntype = "uint16"\nscale = 0.1\n'
        '[[point]]\nquantity = "ac_current"\naddress = 3\ntype = "uint16"\nscale = 0.01\n'
    )
    values = {"ac_power": 234.0, "ac_voltage": 240.0, "ac_current": 9.8}
    (suspicion,) = judge(seen_values(two, [values] * 3, AS_INVERTER)).suspicions
    assert suspicion.suspect is Suspect.FACTOR
    assert "Which of the two is wrong the numbers do not tell" in suspicion.sentence


def test_the_reactive_current_of_dusk_is_no_factor_of_ten() -> None:
    """60 W at a power factor of 0.1: the filter's current, in an inverter of 10 kW."""
    facts = replace(SITE, rating_w=10_000.0)

    def dusk(values: dict[str, float | str], moment: int) -> None:
        values |= {"ac_power": 60.0, "ac_current": 2.49}

    assert suspects(seen_inverter(time=TimeOfDay.DUSK, facts=facts, change=dusk)) == []


def test_a_battery_on_the_dc_side_makes_ac_and_dc_differ() -> None:
    def charging(values: dict[str, float | str], moment: int) -> None:
        values |= {"ac_power": 241.0, "ac_current": 1.0}

    assert suspects(seen_inverter(facts=replace(SITE, battery_on_dc=True), change=charging)) == []
    assert suspects(seen_inverter(change=charging)) != []


def test_inputs_swapped_by_their_current_alone_are_told_by_their_power() -> None:
    def crossed(values: dict[str, float | str], moment: int) -> None:
        one, two = "input-1.dc_current", "input-2.dc_current"
        values |= {one: 3.0, two: 7.0, "input-1.dc_power": 238.2 * 7.0, "input-2.dc_power": 179.5 * 3.0}
        values |= {"ac_power": 2130.0, "ac_current": 8.83}

    (suspicion,) = judge(seen_inverter(facts=AS_INVERTER, change=crossed)).suspicions
    assert suspicion.suspect is Suspect.SWAPPED_INPUTS
    assert {fix.name for fix in suspicion.fixes} == {"input-1.dc_current", "input-2.dc_current"}


def test_inputs_are_not_said_to_be_swapped_while_one_gives_nothing() -> None:
    """In the morning the west roof stands at its open voltage, near the other string's voltage at work."""

    def morning(values: dict[str, float | str], moment: int) -> None:
        values |= {"input-1.dc_voltage": 185.0, "input-2.dc_voltage": 240.0}
        values |= {"input-2.dc_current": 0.0, "input-2.dc_power": 0.0}
        values |= {"input-1.dc_power": 185.0 * 5.68, "ac_power": 1010.0, "ac_current": 4.19}

    assert suspects(seen_inverter(change=morning)) == []


METER = """
[device]
description = "a meter with two registers"
function = 4
[[point]]
quantity = "ac_power"
address = 0
type = "int32"
[[point]]
quantity = "energy_import"
address = 2
type = "uint32"
[[point]]
quantity = "energy_export"
address = 4
type = "uint32"
"""
INDEXED = """
[device]
description = "a meter with one register"
[[point]]
quantity = "ac_power"
address = 0
type = "int32"
[[point]]
quantity = "energy_index"
address = 2
type = "uint32"
scale = {scale}
"""

Wh = dict[str, float]


def _two(own: float, other: float, moving: str) -> Callable[[int], Wh]:
    def at(moment: int) -> Wh:
        totals = {"energy_export": own, "energy_import": other}
        totals[moving] += 5 * moment
        return {"ac_power": 2340.0, **totals}

    return at


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        pytest.param(_two(9e6, 1e5, "energy_export"), [], id="sound: it counts, and its standby is little"),
        pytest.param(_two(9e6, 1e5, "energy_import"), [Suspect.CLAMP], id="turned lately: the other one moves"),
        pytest.param(_two(1e5, 9e6, "energy_import"), [Suspect.IMPORT_EXPORT], id="always so: all is in the other"),
        pytest.param(_two(3e3, 4e3, "energy_export"), [], id="new: little in either"),
    ],
)
def test_a_generation_meter_with_two_registers(values: Callable[[int], Wh], expected: list[Suspect]) -> None:
    meter = seen_values(loaded(METER), [values(n) for n in range(3)], METER_AT_SITE)
    assert suspects(meter, seen_inverter()) == expected


def test_totals_tell_a_swapped_meter_at_night_too() -> None:
    night = seen_inverter(time=TimeOfDay.NIGHT)
    meter = seen_values(
        loaded(METER), [{"ac_power": 0.0, "energy_export": 1e5, "energy_import": 9e6}] * 3, METER_AT_SITE
    )
    assert suspects(meter, night) == [Suspect.IMPORT_EXPORT]
    imported = replace(meter, facts=replace(METER_AT_SITE, counts="imported"))
    assert suspects(imported, night) == []


@pytest.mark.parametrize(
    ("power_w", "index", "time", "expected"),
    [
        pytest.param(2340.0, [9e6, 9e6 + 3, 9e6 + 6], TimeOfDay.NOON, [], id="sound"),
        pytest.param(-2340.0, [9e6, 9e6 - 3, 9e6 - 6], TimeOfDay.NOON, [Suspect.CLAMP], id="falls while it makes"),
        pytest.param(-8.0, [9e6, 9e6, 9e6 - 1], TimeOfDay.NIGHT, [], id="nets the inverter's own at night"),
    ],
)
def test_a_generation_meter_with_one_register(
    power_w: float, index: list[float], time: TimeOfDay, expected: list[Suspect]
) -> None:
    moments = [{"ac_power": power_w, "energy_index": wh} for wh in index]
    meter = seen_values(loaded(INDEXED.format(scale=1)), moments, METER_AT_SITE)
    assert suspects(meter, seen_inverter(time=time)) == expected


def test_negative_power_while_the_inverter_makes_turns_a_meters_clamp() -> None:
    moments = [{"ac_power": -2340.0, "energy_index": 9e6}] * 3
    meter = seen_values(loaded(INDEXED.format(scale=100)), moments, METER_AT_SITE)
    assert suspects(meter, seen_inverter()) == [Suspect.CLAMP]
    assert suspects(meter, seen_inverter(time=TimeOfDay.NIGHT)) == []


def test_a_register_that_is_not_there_is_named_with_its_address() -> None:
    seen = seen_inverter()
    cut = tuple(replace(s, words={place: w for place, w in s.words.items() if place[1] < 30}) for s in seen.samples)
    (suspicion,) = judge(replace(seen, samples=cut)).suspicions
    assert suspicion.suspect is Suspect.NOT_ANSWERED
    assert suspicion.evidence == ("operating_state: function 4, address 31",)


def test_what_fits_in_no_way_is_said_to_be_implausible() -> None:
    def hot(values: dict[str, float | str], moment: int) -> None:
        values["temp_heatsink"] = 812.0

    (suspicion,) = judge(seen_inverter(change=hot)).suspicions
    assert (suspicion.suspect, suspicion.fixes) == (Suspect.IMPLAUSIBLE, ())


@given(
    watts=st.floats(0.0, 3680.0),
    volts=st.floats(207.0, 253.0),
    hertz=st.floats(49.5, 50.5),
    share=st.floats(0.45, 0.7),
    heat=st.floats(-15.0, 75.0),
    energy_wh=st.integers(1, 140_000_000),
    moves=st.lists(st.floats(0.97, 1.03), min_size=3, max_size=3),
    factor=st.floats(0.9, 1.0),
)
def test_no_sound_inverter_is_suspected(
    watts: float,
    volts: float,
    hertz: float,
    share: float,
    heat: float,
    energy_wh: int,
    moves: list[float],
    factor: float,
) -> None:
    """Any power, any grid in its statutory band (230 V +10/-6 %), strings within their voltage at any warmth."""

    def healthy(values: dict[str, float | str], moment: int) -> None:
        now = watts * moves[moment]
        dc = now / 0.96
        reactive = 0.4  # A of a filter, whatever flows
        values |= {"frequency": hertz, "l1.ac_voltage": volts, "ac_power": now, "temp_heatsink": heat}
        values |= {"ac_current": ((now / volts) ** 2 + reactive**2) ** 0.5, "ac_energy": float(energy_wh + moment * 3)}
        for part, mine, full in (("input-1", share, 249.6), ("input-2", 1 - share, 187.2)):
            values |= {f"{part}.dc_voltage": full * factor, f"{part}.dc_power": dc * mine}
            values[f"{part}.dc_current"] = dc * mine / (full * factor)

    assert suspects(seen_inverter(change=healthy)) == []


def test_a_counter_written_by_the_quarter_of_an_hour_leaps_and_is_not_blamed() -> None:
    def leaps(values: dict[str, float | str], moment: int) -> None:
        values["ac_energy"] = 12_345_000.0 + (600 if moment == 2 else 0)

    assert suspects(seen_inverter(apart_s=60.0, change=leaps)) == []
