"""However time is cut into evaluations, the same runs, alerts, mails and settled days come of it.

One eventful home: cloud, sunshine by the hour, some of it late, some missing, rows of devices that come hours later,
a dead input, a stalled meter and an inverter that is off for a while.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.detect.made_homes import EAST, WEST, Home, broken, home_site, means, polled
from tests.detect.made_lines import Batch, bench, rows_of, stored, told
from watcher.catch_up import catch_up
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import GRACE_MS, GRID_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY, parse_iso
from watcher.evaluate import Memo
from watcher.replay import differences
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

START_MS = parse_iso("2026-06-10T00:00:00Z")
DAYS = 3
POINTS = DAYS * POINTS_A_DAY


def _eventful(minutes: int) -> tuple[Home, SqliteReadings]:
    sources = (polled("inverter-1"), polled("meter-1"), means("weather-nowcast", minutes * 60.0))
    arrays = (EAST, replace(WEST, parallel_strings=2))
    home = Home(home_site(*arrays, sensors=(), sources=sources), START_MS, DAYS, broken(POINTS, 21, level=0.8))
    dead = home.between("2026-06-11T08:20:00Z", "2026-06-11T15:05:00Z")
    home.share["inverter-1.input-1"][dead], home.voltage["inverter-1.input-1"][dead] = 0.0, 430.0
    home.share["inverter-1.input-2"][home.between("2026-06-11T12:00:00Z", "2026-06-12T14:00:00Z")] *= 0.5
    for name in home.share:
        home.share[name][home.between("2026-06-12T05:00:00Z", "2026-06-12T10:30:00Z")] = 0.0
    home.counting[home.between("2026-06-10T12:30:00Z", "2026-06-11T11:00:00Z")] = 0.0
    home.awake &= np.random.default_rng(2).uniform(size=POINTS) > 0.05
    weather = rows_of(home.weather("weather-nowcast", minutes, error=0.1))
    rows = rows_of(home.raw())
    late: list[Batch] = []
    kept = []
    lost = (parse_iso("2026-06-11T09:00:00Z"), parse_iso("2026-06-11T11:00:00Z"))
    slow = (parse_iso("2026-06-11T13:00:00Z"), parse_iso("2026-06-12T09:00:00Z"))
    for row in weather:
        if lost[0] < row.time_ms <= lost[1]:
            continue
        if slow[0] < row.time_ms <= slow[1]:
            late_ms = -(-row.time_ms // (4 * HOUR_MS)) * 4 * HOUR_MS + 7 * MINUTE_MS  # four hours' worth at once
            late.append((late_ms, [row]))
        else:
            kept.append(row)
    dropped = (parse_iso("2026-06-10T10:00:00Z"), parse_iso("2026-06-10T11:30:00Z"))
    back_ms = parse_iso("2026-06-11T16:12:00Z")
    behind = [row for row in rows if dropped[0] <= row.time_ms < dropped[1]]
    kept += [row for row in rows if not dropped[0] <= row.time_ms < dropped[1]]
    late.append((back_ms, behind))
    store = stored(home, {}, late)
    store.append_history(home.site.id, kept, home.end_ms + GRACE_MS)
    store.append({home.site.id: []}, home.end_ms + GRACE_MS)
    return home, store


@contextmanager
def _cut(home: Home, store: SqliteReadings, cuts: list[int], *, forget: bool) -> Iterator[Ledger]:
    """The ledger that comes of judging up to each of these points in turn, and then to the end."""
    case = bench(home, store)
    values = {"serial": "A-1"}
    case.ledger.add_event(home.site.id, EventKind.IDENTITY, "inverter-1", START_MS, values, START_MS + 30 * HOUR_MS)
    for cut in [*sorted(set(cuts)), POINTS]:
        for _ in catch_up(case, START_MS + cut * GRID_MS, from_ms=START_MS):
            if forget:
                case.memo = Memo()
    yield case.ledger
    case.ledger.close()


@pytest.fixture(scope="module", params=[15, 60], ids=["quarter-hour weather", "hourly weather"])
def eventful(request: pytest.FixtureRequest) -> Iterator[tuple[Home, SqliteReadings, Ledger]]:
    home, store = _eventful(request.param)
    with _cut(home, store, [], forget=False) as whole:
        yield home, store, whole
    store.close()


def test_the_eventful_days_have_something_to_say(eventful: tuple[Home, SqliteReadings, Ledger]) -> None:
    home, store, whole = eventful
    said = {alert.finding for alert in told(whole)}
    assert said >= {Finding.STRING_OPEN, Finding.METER_STALLED, Finding.NO_GENERATION}
    assert store.late(home.site.id, 0, 2**50)
    assert any(day.revision > 1 for day in whole.days(home.site.id)), "no day settled again"


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(1, POINTS - 1), min_size=1, max_size=6), forget=st.booleans())
def test_cutting_time_changes_nothing(
    eventful: tuple[Home, SqliteReadings, Ledger], cuts: list[int], forget: bool
) -> None:
    home, store, whole = eventful
    with _cut(home, store, cuts, forget=forget) as pieces:
        assert differences(home.site.id, whole, pieces) == []


def test_point_by_point_says_the_same(eventful: tuple[Home, SqliteReadings, Ledger]) -> None:
    home, store, whole = eventful
    first = (parse_iso("2026-06-11T11:40:00Z") - START_MS) // GRID_MS
    with _cut(home, store, list(range(first, first + 12)), forget=True) as pieces:
        assert differences(home.site.id, whole, pieces) == []


def test_what_was_said_so_far_is_the_beginning_of_what_is_said_later(
    eventful: tuple[Home, SqliteReadings, Ledger],
) -> None:
    home, store, whole = eventful
    case = bench(home, store)
    half_ms = START_MS + 40 * HOUR_MS
    for _ in catch_up(case, half_ms, from_ms=START_MS):
        pass
    early = [mail.id for mail in case.ledger.mails(home.site.id)]
    assert early == [mail.id for mail in whole.mails(home.site.id) if mail.decided_ms <= half_ms]
    assert early
