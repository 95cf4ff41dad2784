"""Figures of civil days."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from watcher.align.build import build_window
from watcher.align.days import day_coverage, energy_by_day, register_by_day, settled_day
from watcher.align.window import Window
from watcher.domain.day import SettledDay
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, Site

START = parse_iso("2026-06-20T00:00Z")
POINTS = 3 * 288
BEGINS = START + GRID_MS * np.arange(POINTS)
SUN_UP = (BEGINS % DAY_MS >= 4 * HOUR_MS) & (BEGINS % DAY_MS < 20 * HOUR_MS)  # 04:00 to 20:00 UTC
JUNE_21 = date(2026, 6, 21)  # in Europe/London from 20 June 23:00 UTC to 21 June 23:00 UTC
ENERGY, POWER, INDEX = "inverter-1.ac_energy", "inverter-1.ac_power", "meter-1.energy_index"

Rows = list[tuple[int, float]]


def at(text: str) -> int:
    return parse_iso(f"2026-06-{text}Z")


def window_of(site: Site, raw: dict[str, Rows]) -> Window:
    return build_window(site, {name: Samples.of(rows) for name, rows in raw.items()}, (), START, POINTS)


def settled(site: Site, raw: dict[str, Rows], expected_w: float | None = None) -> SettledDay:
    expected = None if expected_w is None else np.where(SUN_UP, expected_w, 0.0)
    return settled_day(site, window_of(site, raw), expected, SUN_UP, JUNE_21, 0, at("22T02:05"))


def counting(start: str, end: str, every_ms: int = GRID_MS, step_wh: float = 1.0) -> Rows:
    return [(ms, step_wh * place) for place, ms in enumerate(range(at(start), at(end) + 1, every_ms))]


@pytest.mark.parametrize(
    ("rows", "expected_wh"),
    [
        pytest.param([("21T10:00", 100.0), ("21T14:00", 5_100.0)], 5_000.0, id="inside the day, over a gap"),
        pytest.param([("20T22:55", 100.0), ("20T23:05", 110.0)], 5.0, id="a short step over midnight: by time"),
        pytest.param([("20T21:00", 100.0), ("21T03:00", 130.0)], 20.0, id="a night without any sun: by time"),
        pytest.param([("20T19:30", 100.0), ("21T04:30", 140.0)], 20.0, id="a night: by the sun of dusk and dawn"),
        pytest.param([("20T12:00", 100.0), ("21T12:00", 9_100.0)], None, id="a gap of a day cannot be dated"),
        pytest.param([("21T10:00", 100.0), ("21T10:05", 90_000.0)], None, id="a leap is no energy"),
        pytest.param([("22T10:00", 100.0), ("22T10:05", 200.0)], None, id="another day"),
    ],
)
def test_energy_belongs_to_the_day_it_can_be_dated_to(
    home: Site, rows: list[tuple[str, float]], expected_wh: float | None
) -> None:
    window = window_of(home, {ENERGY: [(at(text), value) for text, value in rows]})
    assert energy_by_day(window, ENERGY, SUN_UP, home.zone).get(JUNE_21) == expected_wh


@pytest.mark.parametrize("every_min", [1, 5, 7, 15])
def test_days_add_up_to_what_the_register_counted(home: Site, every_min: int) -> None:
    utc = ZoneInfo("UTC")
    rows = counting("20T00:00", "23T00:00", every_min * MINUTE_MS, 0.7)
    energies = energy_by_day(window_of(home, {ENERGY: rows}), ENERGY, SUN_UP, utc)
    assert list(energies) == [date(2026, 6, day) for day in (20, 21, 22)]
    assert sum(energies.values()) == pytest.approx(rows[-1][1], abs=1e-9)


def test_days_that_reach_beyond_the_window_have_no_figure(home: Site) -> None:
    window = window_of(home, {ENERGY: counting("20T00:00", "23T00:00")})
    assert list(energy_by_day(window, ENERGY, SUN_UP, home.zone)) == [JUNE_21, date(2026, 6, 22)]
    assert energy_by_day(window, "inverter-2.ac_energy", SUN_UP, home.zone) == {}


def test_a_settled_day_states_inverter_meter_and_sun(home: Site) -> None:
    day = settled(
        home,
        {
            ENERGY: counting("20T20:00", "21T23:30", step_wh=50.0),
            INDEX: counting("20T20:00", "21T23:30", 15 * MINUTE_MS, 100.0),
        },
        expected_w=1_000.0,
    )
    assert day == SettledDay("home-1", JUNE_21, 0, at("22T02:05"), 288 * 50.0, 96 * 100.0, 16_000.0, 1.0)


def test_power_is_summed_where_no_energy_is_counted(home: Site) -> None:
    rows = [*((ms, 1_200.0) for ms, _ in counting("21T10:00", "21T10:55")), (at("21T22:00"), -6.0)]
    assert settled(home, {POWER: rows}).generated_wh == 1_200.0


def test_counted_energy_is_preferred_to_summed_power(home: Site) -> None:
    raw = {POWER: [(at("21T10:00"), 1_200.0)], ENERGY: counting("21T10:00", "21T11:00")}
    assert settled(home, raw).generated_wh == 12.0


def test_what_was_not_heard_is_nothing_and_not_zero(home: Site) -> None:
    day = settled(home, {INDEX: counting("22T10:00", "22T11:00")})
    assert (day.generated_wh, day.metered_wh, day.expected_wh) == (None, None, None)
    assert day.coverage == pytest.approx(96 / 288)  # the eight hours without sun ask for nothing


def test_pulses_stand_in_for_an_index_that_is_not_read(home: Site) -> None:
    meters = (replace(home.meters[0], pulses_per_kwh=1_000.0),)
    raw = {"meter-1.pulse_count": counting("21T10:00", "21T11:00")}
    assert settled(replace(home, meters=meters), raw).metered_wh == 12.0


def test_night_values_alone_are_no_reference(home: Site) -> None:
    expected = np.where(SUN_UP, np.nan, 0.0)
    window = window_of(home, {})
    assert settled_day(home, window, expected, SUN_UP, JUNE_21, 0, 0).expected_wh is None
    assert settled_day(home, window, np.zeros(POINTS), ~SUN_UP & SUN_UP, JUNE_21, 0, 0).expected_wh == 0.0


def test_every_inverter_must_have_been_heard(home: Site) -> None:
    raw = {ENERGY: counting("20T20:00", "21T23:30"), "inverter-2.ac_power": counting("21T04:00", "21T11:59")}
    window = window_of(home, raw)
    assert day_coverage(home, window, SUN_UP, JUNE_21) == 1.0
    two = replace(home, inverters=(*home.inverters, Inverter("inverter-2", 3_000.0)))
    assert day_coverage(two, window, SUN_UP, JUNE_21) == pytest.approx((96 + 96) / 288)


def test_polls_that_slip_out_of_an_interval_leave_no_hole(home: Site) -> None:
    # Every five minutes, now two seconds early, now three late: some intervals hold two readings, some none.
    rows = [
        (ms + (-2_000 if place % 2 else 3_000), value)
        for place, (ms, value) in enumerate(counting("20T20:00", "21T23:30"))
    ]
    assert day_coverage(home, window_of(home, {ENERGY: rows}), SUN_UP, JUNE_21) == 1.0


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        pytest.param(
            [("21T19:00", 27.3), ("21T20:10", 27.4), ("22T04:00", 0.0)], {JUNE_21: 27.4}, id="asleep at night"
        ),
        pytest.param([("21T20:10", 27.4), ("22T04:00", 0.0)], {JUNE_21: 27.4}, id="only its last value seen"),
        pytest.param(
            [("21T20:00", 27.3), ("21T20:10", 27.4), ("21T23:50", 27.4), ("22T00:05", 0.0)],
            {JUNE_21: 27.4},
            id="a device without summer time",
        ),
        pytest.param([("21T20:00", 27.3), ("21T20:10", 27.4), ("21T22:40", 0.0)], {JUNE_21: 27.4}, id="a clock ahead"),
        pytest.param(
            [("21T09:00", 4.9), ("21T12:00", 5.0), ("21T12:05", 0.0), ("21T20:10", 5.1), ("21T23:05", 0.0)],
            {JUNE_21: 5.1},
            id="a dip at noon",
        ),
        pytest.param([("21T09:00", 4.9), ("21T12:00", 5.0)], {}, id="a day that is not over"),
        pytest.param(
            [("21T09:00", 4.9), ("21T12:00", 5.0), ("24T05:00", 0.0)], {JUNE_21: 5.0}, id="not heard for days"
        ),
    ],
)
def test_a_days_register_belongs_to_the_day_it_rose_in(
    home: Site, rows: list[tuple[str, float]], expected: dict[date, float]
) -> None:
    assert register_by_day(Samples.of((at(text), value) for text, value in rows), home.zone) == expected
