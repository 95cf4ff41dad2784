"""Scenario files: what is right is read, what is wrong is said, all at once."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.domain.errors import SetupError
from watcher.domain.instant import parse_iso
from watcher.simulate.faults import Fault, FaultKind
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.sky import DayType

SMALLEST = """
[site]
id = "home"
name = "Home"
latitude_deg = 53
longitude_deg = -1.5
[[array]]
id = "south"
input = 1
tilt_deg = 35
azimuth_deg = 180
modules_in_series = 10
[module]
power_w = 400
vmp_v = 31.3
[inverter]
ac_limit_w = 3680
"""


def test_a_short_scenario_has_sensible_defaults() -> None:
    scenario = parse_scenario(SMALLEST, "home.toml")
    assert scenario.inverter.phases == 1
    assert scenario.meter.step_wh == 100
    assert scenario.modbus.silence == "gateway-error"
    assert scenario.faults == ()
    assert isinstance(scenario.site.latitude_deg, float)


def test_faults_and_days_are_read() -> None:
    text = """
[sky.days]
2026-06-08 = "overcast"
[[fault]]
kind = "generation-off"
side = "dc"
at = "2026-06-08T10:00:00+01:00"
[[fault]]
kind = "weather-late"
hours = 5
at = 2026-06-08T09:00:00Z
until = 2026-06-08T10:00:00Z
"""
    scenario = parse_scenario(SMALLEST + text, "home.toml")
    nine = parse_iso("2026-06-08T09:00Z")
    assert scenario.days == {date(2026, 6, 8): DayType.OVERCAST}
    assert scenario.faults == (
        Fault(FaultKind.GENERATION_OFF, nine, side="dc"),
        Fault(FaultKind.WEATHER_LATE, nine, nine + 3_600_000, hours=5.0),
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[home]", "home: no such table"),
        ("[[fault]]\nkind = 'fire'\nat = 2026-06-08T09:00:00Z", "fault[0].kind = fire: is one of input-open"),
        ("[[fault]]\nkind = 'meter-silent'", "fault[0].at: is missing"),
        ("[[fault]]\nkind = 'meter-silent'\nat = 2026-06-08T09:00:30Z", "lies on a whole minute"),
        ("[[fault]]\nkind = 'meter-silent'\nat = 2026-06-08T09:00:00", "is an instant with an offset"),
        ("[[fault]]\nkind = 'meter-silent'\nat = 2026-06-08T09:00:00Z\nuntil = 2026-06-08T08:00:00Z", "comes after at"),
        ("[[fault]]\nkind = 'meter-silent'\ninput = 1\nat = 2026-06-08T09:00:00Z", "unknown key"),
        ("[[fault]]\nkind = 'input-open'\ninput = 2\nat = 2026-06-08T09:00:00Z", "no array ends there"),
        ("[[fault]]\nkind = 'parallel-string-open'\nat = 2026-06-08T09:00:00Z", "fewer than the array has"),
        ("[meter]\nstep_wh = 0", "meter.step_wh = 0: lies between 1 and"),
        ("[meter]\nserial = 417290", "meter.serial = 417290: is a text"),
        ("[meter]\nstep_wh = 1.5", "is a whole number"),
        ("[weather]\ndelay_s = true", "is a number"),
        ("[modbus]\nsilence = 'loud'", "is one of gateway-error, no-answer"),
        ("[sky.days]\nsoon = 'clear'", "sky.days.soon = clear: is a date and one of"),
        ("[sky]\nclouds = 3", "holds one table"),
        ("[[array]]\nid='x'\ninput=3\ntilt_deg=1\nazimuth_deg=1\nmodules_in_series=5", "numbered from 1 without a gap"),
        ("[weather]\n[[weather]]", "home.toml: Cannot"),
        ("[meter]\n[meter]", "home.toml: Cannot"),
    ],
)
def test_a_mistake_is_named_with_its_place(text: str, message: str) -> None:
    with pytest.raises(SetupError) as caught:
        parse_scenario(f"{SMALLEST}\n{text}\n", "home.toml")
    assert message in str(caught.value)


def test_all_mistakes_are_named_at_once() -> None:
    with pytest.raises(SetupError) as caught:
        parse_scenario('[site]\nname = 3\n[inverter]\nphases = 2\n[module]\npower_w = "much"', "home.toml")
    keys = {problem.key for problem in caught.value.problems}
    assert {"site.id", "site.name", "inverter.phases", "inverter.ac_limit_w", "module.power_w"} <= keys


@given(cut=st.integers(0, 400), put=st.text(max_size=8))
def test_a_spoilt_file_never_raises_anything_else(cut: int, put: str) -> None:
    spoilt = SMALLEST[:cut] + put + SMALLEST[cut + 1 :]
    try:
        outcome: object = parse_scenario(spoilt, "home.toml").arrays
    except SetupError as error:
        outcome = error.problems
    assert outcome, spoilt


def test_the_demo_is_as_described(demo_path: Path) -> None:
    scenario = parse_scenario(demo_path.read_text(encoding="utf-8"), "demo.toml")
    assert [(a.azimuth_deg, a.tilt_deg, a.modules_in_series) for a in scenario.inputs] == [(90, 35, 5), (270, 35, 5)]
    assert [fault.kind for fault in scenario.faults] == [FaultKind.INPUT_OPEN, FaultKind.METER_STALLED]
