"""Case D3: whose day is it? Days of 23 and 25 hours, "energy today" registers, and a zone for each site."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from watcher.align.build import build_window
from watcher.align.days import energy_by_day, register_by_day, settled_day
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, floor_day, local_day, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, Site, Source, SourceKind

LONDON = Site(
    "home-1",
    "Home",
    53.5,
    -2.2,
    50.0,
    ZoneInfo("Europe/London"),
    inverters=(Inverter("inverter-1", 3680.0),),
    sources=(Source(SourceKind.MODBUS_TCP, "inverter-1", every_s=300.0),),
)
LISBON = replace(LONDON, id="home-2", zone=ZoneInfo("Europe/Lisbon"))
PLAIN_UTC = replace(LONDON, id="home-3", zone=ZoneInfo("UTC"))
TODAY, LIFETIME = "inverter-1.energy_today", "inverter-1.ac_energy"


def test_case_d3_1_the_figure_before_local_midnight_belongs_to_the_day_that_ended() -> None:
    rows = Samples.of([(parse_iso("2026-06-21T22:55Z"), 27_400.0), (parse_iso("2026-06-21T23:05Z"), 0.0)])
    assert register_by_day(rows, LONDON.zone) == {date(2026, 6, 21): 27_400.0}


def test_case_d3_1_a_fall_of_the_day_register_is_no_reset_of_the_lifetime_counter() -> None:
    times = [parse_iso(f"2026-06-21T{text}Z") for text in ("22:50", "22:55", "23:05", "23:10")]
    raw = {
        TODAY: Samples.of(zip(times, (27_400.0, 27_400.0, 0.0, 0.0), strict=True)),
        LIFETIME: Samples.of(zip(times, (9_000_000.0, 9_000_001.0, 9_000_001.0, 9_000_002.0), strict=True)),
    }
    window = build_window(LONDON, raw, (), parse_iso("2026-06-21T00:00Z"), 288)
    assert list(window.counters) == [LIFETIME]
    assert [segment.wh for segment in window.counters[LIFETIME].segments] == [1.0, 0.0, 1.0]


@pytest.mark.parametrize(
    ("day", "samples"),
    [
        pytest.param(date(2026, 3, 29), 276, id="23 hours"),
        pytest.param(date(2026, 6, 21), 288, id="24 hours"),
        pytest.param(date(2026, 10, 25), 300, id="25 hours"),
    ],
)
def test_case_d3_2_a_complete_day_is_complete_however_long(day: date, samples: int) -> None:
    start_ms, end_ms = local_day(day, LONDON.zone)
    times = list(range(start_ms, end_ms, GRID_MS))
    assert len(times) == samples
    window_start_ms = floor_day(start_ms)
    # Up and down by a watt about 600 W: a figure that never moves is a stuck one.
    raw = {"inverter-1.ac_power": Samples.of((ms, 599.0 + 2.0 * (place % 2)) for place, ms in enumerate(times))}
    points = (floor_day(end_ms) + DAY_MS - window_start_ms) // GRID_MS
    window = build_window(LONDON, raw, (), window_start_ms, points)
    always = np.ones(points, dtype=np.bool_)
    settled = settled_day(LONDON, window, np.full(points, 600.0), always, day, 0, end_ms + 3 * HOUR_MS)
    assert settled.coverage == 1.0
    assert settled.expected_wh == samples * 50.0
    assert settled.generated_wh == settled.expected_wh


@pytest.mark.parametrize(
    ("site", "begins"),
    [
        pytest.param(LONDON, "2026-06-20T23:00Z", id="London"),
        pytest.param(LISBON, "2026-06-20T23:00Z", id="Lisbon"),
        pytest.param(PLAIN_UTC, "2026-06-21T00:00Z", id="UTC"),
    ],
)
def test_case_d3_4_each_site_has_its_own_day(site: Site, begins: str) -> None:
    # One watt-hour for every whole hour since the window's start: an hour's number tells where it went.
    window_start_ms = parse_iso("2026-06-20T00:00Z")
    rows, index_wh = [(window_start_ms, 0.0)], 0.0
    for hour in range(72):
        for place in range(12):
            index_wh += hour if place == 0 else 0
            rows.append((window_start_ms + hour * HOUR_MS + (place + 1) * GRID_MS, index_wh))
    window = build_window(site, {LIFETIME: Samples.of(rows)}, (), window_start_ms, 3 * 288)
    first = (parse_iso(begins) - window_start_ms) // HOUR_MS
    energies = energy_by_day(window, LIFETIME, np.ones(window.points, dtype=np.bool_), site.zone)
    assert energies[date(2026, 6, 21)] == sum(range(first, first + 24))


def test_case_d3_4_the_same_register_falls_into_different_days() -> None:
    rows = Samples.of([(parse_iso("2026-12-21T22:55Z"), 2_740.0), (parse_iso("2026-12-21T23:05Z"), 0.0)])
    madrid = ZoneInfo("Europe/Madrid")
    assert register_by_day(rows, madrid) == register_by_day(rows, LISBON.zone) == {date(2026, 12, 21): 2_740.0}
    late = Samples.of([(parse_iso("2026-12-22T00:55Z"), 2_740.0), (parse_iso("2026-12-22T05:05Z"), 0.0)])
    assert register_by_day(late, PLAIN_UTC.zone) == {date(2026, 12, 21): 2_740.0}
