"""Case D3 (3): work of the day on the two days when the clocks change, and when a clock is set."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.daily import Daily, due_on

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("day", "at", "due"),
    [
        pytest.param(date(2026, 3, 29), time(1, 30), "2026-03-29T01:00:00+00:00", id="does not exist: the next minute"),
        pytest.param(date(2026, 10, 25), time(1, 30), "2026-10-25T00:30:00+00:00", id="exists twice: the first"),
        pytest.param(date(2026, 3, 29), time(0, 5), "2026-03-29T00:05:00+00:00", id="before the spring change"),
        pytest.param(date(2026, 10, 25), time(0, 5), "2026-10-24T23:05:00+00:00", id="before the autumn change"),
    ],
)
def test_case_d3_3_on_change_days_work_is_due_once(day: date, at: time, due: str) -> None:
    assert due_on(day, at, LONDON).isoformat() == due


@pytest.mark.parametrize("at", [time(1, 30), time(0, 5)], ids=str)
@pytest.mark.parametrize("first", [date(2026, 3, 27), date(2026, 10, 23)], ids=str)
def test_case_d3_3_each_date_runs_exactly_once(first: date, at: time) -> None:
    trigger, now, ran = Daily(at, LONDON), datetime.combine(first, time(), tzinfo=LONDON), []
    previous: datetime | None = None
    for _ in range(6):
        previous = trigger.get_next_fire_time(previous, now)
        now = previous + timedelta(milliseconds=5)
        ran.append(previous.date())
    assert ran == [first + timedelta(days=number) for number in range(6)]


def test_case_d3_3_a_date_that_was_done_does_not_run_again_when_the_clock_is_set_back() -> None:
    now = datetime(2026, 6, 21, 3, 0, tzinfo=LONDON)
    assert Daily(time(3, 20), LONDON).get_next_fire_time(None, now).date() == date(2026, 6, 21)
    assert Daily(time(3, 20), LONDON, {date(2026, 6, 21)}).get_next_fire_time(None, now).date() == date(2026, 6, 22)


@given(
    day=st.dates(date(2020, 1, 1), date(2030, 12, 31)),
    at=st.times().map(lambda t: t.replace(second=0, microsecond=0)),
    zone=st.sampled_from(["Europe/London", "Europe/Lisbon", "UTC"]).map(ZoneInfo),
)
def test_case_d3_3_work_is_due_on_its_own_date_in_any_zone(day: date, at: time, zone: ZoneInfo) -> None:
    due = due_on(day, at, zone)
    assert due.tzinfo is UTC
    assert due.astimezone(zone).date() == day
