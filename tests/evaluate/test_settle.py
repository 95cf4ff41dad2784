"""When a civil day settles: at 03:00 the next local morning, and again once late rows have been quiet for an hour."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.detect.made_homes import home_site
from watcher.domain.instant import DAY_MS, GRACE_MS, GRID_MS, HOUR_MS, MINUTE_MS, local_day, parse_iso
from watcher.domain.reading import Late
from watcher.settle import REACH_DAYS, settlements

SITE = home_site()
DAY = date(2026, 6, 21)
FIRST = parse_iso("2026-06-22T02:00:00Z")
"""03:00 in British summer time."""


def points(received: list[int], *, through_ms: int = FIRST + 60 * DAY_MS, day: date = DAY) -> tuple[int, ...]:
    """The settlements of a day, late rows of its noon having come at these instants."""
    noon = local_day(day, SITE.zone)[0] + 12 * HOUR_MS
    lates = [Late("weather-analysis.ghi", ms, noon, noon + HOUR_MS) for ms in received]
    return settlements(SITE, lates, day, day, through_ms).get(day, ())


@pytest.mark.parametrize(
    ("day", "zone", "settles"),
    [
        pytest.param(date(2026, 6, 21), "Europe/London", "2026-06-22T02:00:00Z", id="summer time"),
        pytest.param(date(2026, 12, 21), "Europe/London", "2026-12-22T03:00:00Z", id="winter time"),
        pytest.param(date(2026, 3, 28), "Europe/London", "2026-03-29T02:00:00Z", id="the clocks go forward that night"),
        pytest.param(date(2026, 10, 24), "Europe/London", "2026-10-25T03:00:00Z", id="the clocks go back that night"),
        pytest.param(date(2026, 6, 21), "UTC", "2026-06-22T03:00:00Z", id="a site on UTC"),
    ],
)
def test_a_day_settles_at_three_the_next_local_morning(day: date, zone: str, settles: str) -> None:
    site = replace(SITE, zone=ZoneInfo(zone))
    at = parse_iso(settles)
    assert settlements(site, (), day, day, at) == {day: (at,)}
    assert settlements(site, (), day, day, at - GRID_MS) == {}


def test_late_rows_settle_it_again_an_hour_after_the_last_of_them() -> None:
    came = [FIRST + 6 * HOUR_MS, FIRST + 6 * HOUR_MS + 40 * MINUTE_MS]
    assert points(came) == (FIRST, FIRST + 7 * HOUR_MS + 40 * MINUTE_MS)


def test_each_bout_of_late_rows_is_a_revision_of_its_own() -> None:
    came = [FIRST + 6 * HOUR_MS, FIRST + 2 * DAY_MS]
    assert points(came) == (FIRST, FIRST + 7 * HOUR_MS, FIRST + 2 * DAY_MS + HOUR_MS)


def test_rows_known_before_it_first_settles_settle_nothing_again() -> None:
    assert points([FIRST - 2 * HOUR_MS]) == (FIRST,)


def test_after_forty_five_days_a_day_is_left_alone() -> None:
    end_ms = local_day(DAY, SITE.zone)[1]
    assert len(points([end_ms + REACH_DAYS * DAY_MS])) == 2
    assert len(points([end_ms + REACH_DAYS * DAY_MS + MINUTE_MS])) == 1


def test_a_forecast_lying_ahead_has_nothing_to_put_right() -> None:
    start_ms = local_day(DAY, SITE.zone)[0]
    ahead = Late("weather-forecast.ghi", start_ms, start_ms + HOUR_MS, start_ms + 2 * HOUR_MS)
    assert settlements(SITE, [ahead], DAY, DAY, FIRST + DAY_MS) == {DAY: (FIRST,)}


def test_rows_over_two_days_settle_both() -> None:
    start_ms, end_ms = local_day(DAY, SITE.zone)
    came = FIRST + 30 * HOUR_MS
    both = Late("weather-analysis.ghi", came, start_ms + 10 * HOUR_MS, end_ms + 10 * HOUR_MS)
    found = settlements(SITE, [both], DAY, DAY + timedelta(days=1), came + DAY_MS)
    assert {day: len(at) for day, at in found.items()} == {DAY: 2, DAY + timedelta(days=1): 2}


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 50 * DAY_MS), max_size=12), st.integers(0, 50 * DAY_MS))
def test_what_has_settled_by_a_point_never_hangs_on_what_comes_after(offsets: list[int], cut: int) -> None:
    received = sorted(FIRST + offset for offset in offsets)
    through_ms = FIRST + cut - cut % GRID_MS
    whole = tuple(point for point in points(received) if point <= through_ms)
    seen = [ms for ms in received if ms < through_ms + GRACE_MS]
    assert points(seen, through_ms=through_ms) == whole
