"""A recorded meter on the grid: an outage of two days, and a month between two stretches of readings.

Readings of a commercial system, published as tutorial material under BSD-3-Clause; its notes say where it lay still.
"""

from __future__ import annotations

import csv
import gzip
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from watcher.align.build import build_window
from watcher.align.days import energy_by_day
from watcher.align.window import Window
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, floor_day, to_ms
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, Site

CHANNEL = "meter-1.energy_index"
RATING_W = 700_000.0


@pytest.fixture(scope="module")
def recorded(shared_folder: Path) -> list[tuple[int, float]]:
    """Register readings [Wh]; local times without a zone, taken as they stand."""
    path = shared_folder / "data" / "om_events_and_meter_counters" / "meter_counter_power_poa_15min.csv.gz"
    with gzip.open(path, "rt") as lines:
        return [
            (
                to_ms(datetime.strptime(row["Date"], "%m/%d/%Y %H:%M").replace(tzinfo=UTC)),
                float(row["energy_delivered"]) * 1000,
            )
            for row in csv.DictReader(lines)
        ]


@pytest.fixture(scope="module")
def window(home: Site, recorded: list[tuple[int, float]]) -> Window:
    site = replace(
        home,
        inverters=(Inverter("inverter-1", RATING_W),),
        meters=(replace(home.meters[0], digits=7, decimals=0),),
    )
    start_ms = floor_day(recorded[0][0])
    points = (floor_day(recorded[-1][0]) + DAY_MS - start_ms) // GRID_MS
    return build_window(site, {CHANNEL: Samples.of(recorded)}, (), start_ms, points)


def test_the_segments_are_worth_what_the_register_counted(window: Window, recorded: list[tuple[int, float]]) -> None:
    segments = window.counters[CHANNEL].segments
    assert sum(segment.wh or 0.0 for segment in segments) == recorded[-1][1] - recorded[0][1]


def test_the_month_between_is_energy_of_no_interval(window: Window) -> None:
    counter = window.counters[CHANNEL]
    month = max(counter.segments, key=lambda segment: segment.end_ms - segment.start_ms)
    assert month.wh == 56_590_000.0
    assert np.nanmax(counter.energy_mwh) / 1000 * HOUR_MS / GRID_MS <= RATING_W
    assert counter.booked_mwh.max() / 1000 * HOUR_MS / (15 * 60_000) <= RATING_W
    between = (window.ends() > month.start_ms + GRID_MS) & (window.ends() <= month.end_ms)
    assert np.isnan(counter.energy_mwh[between]).all()


def test_the_days_of_the_outage_counted_next_to_nothing(window: Window, home: Site) -> None:
    hours = (window.ends() - GRID_MS) % DAY_MS // HOUR_MS
    sun_up = (hours >= 7) & (hours < 19)
    energies = energy_by_day(window, CHANNEL, sun_up, home.zone)
    kwh = {day: energies[date(2018, 9, day)] / 1000 for day in (15, 16, 17, 18)}
    assert kwh[15] == 0.0
    assert kwh[16] == 15.0
    assert kwh[17] > 1_000
