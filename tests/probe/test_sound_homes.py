"""A sound home around the clock, in summer and in winter: whatever it shows, nothing looks wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import watcher.simulate
from tests.collect.modbus.wire import at, play
from watcher.collect.modbus.probe_talk import MapPoll, describe
from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.probe.judge import judge
from watcher.probe.seen import GENERATION_METER, INVERTER, Facts, InputFacts, Sample, UnitSeen
from watcher.probe.sunspec_map import described
from watcher.probe.suspicion import Suspect
from watcher.simulate.registers import BASE, inverter_words, meter_words
from watcher.simulate.scenario import Scenario
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.world import World

SCENARIO = Path(watcher.simulate.__file__).parent / "scenarios" / "demo.toml"
STRINGS = (8, 5)
VMP_V = 31.3
FACTS = {
    1: Facts(
        INVERTER,
        3680.0,
        {f"input-{n}": InputFacts(VMP_V * many, 12.8, 400.0 * many) for n, many in enumerate(STRINGS, start=1)},
    ),
    2: Facts(GENERATION_METER, 3680.0),
}
NOBODY_SAID = {1: Facts(INVERTER), 2: Facts()}


def a_sound_home(phases: int) -> Scenario:
    scenario = parse_scenario(SCENARIO.read_text(encoding="utf-8"), str(SCENARIO))
    arrays = tuple(replace(array, modules_in_series=many) for array, many in zip(scenario.arrays, STRINGS, strict=True))
    return replace(scenario, arrays=arrays, faults=(), inverter=replace(scenario.inverter, phases=phases))


def day(phases: int, date: str, apart_s: int, facts: dict[int, Facts]) -> Iterator[tuple[str, list[UnitSeen]]]:
    """What both units show at every half hour that they answer."""
    begin = parse_iso(f"{date}T00:00:00Z")
    home = World(1, begin, a_sound_home(phases))
    for half in range(47):
        polls: dict[int, list[tuple[int, dict[int, int]]]] = {1: [], 2: []}
        for poll in range(3):
            now = begin + half * HOUR_MS // 2 + poll * apart_s * 1000
            home.advance(now)
            inverter, meter = home.inverter(), home.meter()
            if inverter is not None:
                words = inverter_words(inverter, home.scenario.arrays, phases)
                polls[1].append((now, at(BASE, words)))
            if meter is not None:
                polls[2].append((now, at(BASE, meter_words(meter, phases))))
        yield f"half hour {half}", [_seen(unit, found, facts[unit]) for unit, found in polls.items() if found]


def _seen(unit: int, polls: list[tuple[int, dict[int, int]]], facts: Facts) -> UnitSeen:
    told, _ = play(describe(0), polls[0][1])
    assert told.found is not None
    own = described(told.found)
    assert own is not None
    poll = MapPoll(own, around=False)
    samples = tuple(Sample(now, play(poll.read(now), registers)[0]) for now, registers in polls)
    return UnitSeen(unit, own, samples, facts, standard=True)


@pytest.mark.parametrize("facts", [FACTS, NOBODY_SAID], ids=["site", "nothing known"])
@pytest.mark.parametrize(
    ("phases", "date", "apart_s"), [(1, "2026-06-08", 5), (1, "2026-12-08", 60), (3, "2026-06-10", 60)]
)
def test_nothing_looks_wrong_with_a_sound_home(phases: int, date: str, apart_s: int, facts: dict[int, Facts]) -> None:
    wrong = {
        f"{when}, unit {seen.unit}": judge(seen, units).suspicions
        for when, units in day(phases, date, apart_s, facts)
        for seen in units
        if judge(seen, units).suspicions
    }
    assert wrong == {}


def test_swapped_strings_are_told_in_daylight() -> None:
    swapped = replace(FACTS[1], inputs={"input-1": FACTS[1].inputs["input-2"], "input-2": FACTS[1].inputs["input-1"]})
    told = [
        [one.suspect for one in judge(seen, units).suspicions]
        for _, units in day(1, "2026-06-08", 5, {1: swapped, 2: FACTS[2]})
        for seen in units
        if seen.unit == 1
    ]
    # While one roof is dark its string tells nothing, and the other's power may be more than its file allows.
    assert {suspect for one in told for suspect in one} == {Suspect.SWAPPED_INPUTS, Suspect.IMPLAUSIBLE}
    assert sum(Suspect.SWAPPED_INPUTS in one for one in told) >= 15  # of some thirty half hours of daylight


def test_a_meter_the_site_file_has_the_wrong_way_round_is_told_day_and_night() -> None:
    """18 MWh stand in the register that is said not to count, 41 kWh in the other."""
    facts = {**FACTS, 2: replace(FACTS[2], counts="imported")}
    told = [
        [one.suspect for one in judge(seen, units).suspicions]
        for _, units in day(1, "2026-06-08", 5, facts)
        for seen in units
        if seen.unit == 2
    ]
    assert {tuple(one) for one in told} == {(Suspect.IMPORT_EXPORT,)}
