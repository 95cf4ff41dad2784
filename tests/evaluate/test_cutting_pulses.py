"""A meter read by its pulses, with readings typed from its display: however time is cut, the same comes of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.detect.made_homes import METER, SOUTH, Home, broken, home_site, means, polled
from tests.detect.made_lines import bench, rows_of, stored
from watcher.catch_up import catch_up
from watcher.domain.event import EventKind
from watcher.domain.instant import GRACE_MS, GRID_MS, MINUTE_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.evaluate import Memo
from watcher.replay import differences
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

START_MS = parse_iso("2026-06-10T00:00:00Z")
OFF, ON = parse_iso("2026-06-11T08:00:00Z"), parse_iso("2026-06-11T11:00:00Z")
READ = [parse_iso(f"2026-06-{text}:00Z") for text in ("10T07:30", "11T12:02", "12T15:00")]
POINTS = 3 * POINTS_A_DAY


def _made() -> tuple[Home, SqliteReadings, list[float]]:
    """The sun shines; nobody listens to the pulses between OFF and ON, and their count goes on where it stopped."""
    sources = (polled("inverter-1"), polled("meter-1"), means("weather-nowcast", 900.0))
    site = home_site(SOUTH, sensors=(), sources=sources, meters=(replace(METER, pulses_per_kwh=1000.0),))
    home = Home(site, START_MS, 3, broken(POINTS, 21, level=0.8))
    raw = dict(home.raw())
    index = raw.pop("meter-1.energy_index")
    times, dial = np.asarray(index.time_ms), np.asarray(index.value)
    lost = np.interp(ON, times, dial) - np.interp(OFF, times, dial)
    pulses = np.floor(dial - dial[0]) - np.where(times >= ON, np.floor(lost), 0.0)
    heard = (times <= OFF) | (times >= ON)
    raw["meter-1.pulse_count"] = Samples.of(zip(times[heard].tolist(), pulses[heard].tolist(), strict=True))
    up = raw["board.uptime"]
    here = [row for row in zip(up.time_ms, up.value, strict=True) if not OFF < row[0] < ON]
    raw["board.uptime"] = Samples.of(here)
    store = stored(home, {}, [])
    rows = [*rows_of(raw), *rows_of(home.weather("weather-nowcast", 15, error=0.1))]
    store.append_history(site.id, rows, home.end_ms + GRACE_MS)
    store.append({site.id: []}, home.end_ms + GRACE_MS)
    return home, store, [float(np.interp(at_ms, times, dial)) for at_ms in READ]


@contextmanager
def _cut(home: Home, store: SqliteReadings, dials: list[float], cuts: list[int]) -> Iterator[Ledger]:
    case = bench(home, store)
    for at_ms, dial_wh in zip(READ, dials, strict=True):
        values = {"energy_index": dial_wh}
        case.ledger.add_event(home.site.id, EventKind.TYPED_READING, "meter-1", at_ms, values, at_ms + 7 * MINUTE_MS)
    for cut in [*sorted(set(cuts)), POINTS]:
        for _ in catch_up(case, START_MS + cut * GRID_MS, from_ms=START_MS):
            case.memo = Memo()
    yield case.ledger
    case.ledger.close()


@pytest.fixture(scope="module")
def whole() -> Iterator[tuple[Home, SqliteReadings, list[float], Ledger]]:
    home, store, dials = _made()
    with _cut(home, store, dials, []) as ledger:
        yield home, store, dials, ledger
    store.close()


def test_the_day_on_which_pulses_were_missed_has_what_the_dial_says(
    whole: tuple[Home, SqliteReadings, list[float], Ledger],
) -> None:
    home, _, _, ledger = whole
    settled = [day for day in ledger.days(home.site.id) if day.day.day == 11]
    assert settled[-1].metered_wh == pytest.approx(settled[-1].generated_wh, rel=0.02)


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(1, POINTS - 1), min_size=1, max_size=6))
def test_cutting_time_changes_nothing(whole: tuple[Home, SqliteReadings, list[float], Ledger], cuts: list[int]) -> None:
    home, store, dials, ledger = whole
    with _cut(home, store, dials, cuts) as pieces:
        assert differences(home.site.id, ledger, pieces) == []
