"""When work that is done once a civil day is due.

Rule: once each local date, whatever the clocks do. A time of day that a date lacks becomes its next minute; one that a
date has twice means the first. (The scheduler's own calendar trigger runs 01:30 twice on the night the clocks go back.)
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from apscheduler.triggers.base import BaseTrigger


def due_on(day: date, at: time, zone: tzinfo) -> datetime:
    """The instant in UTC at which a date's work is due."""
    local = datetime.combine(day, at)
    while True:
        instant = local.replace(tzinfo=zone).astimezone(UTC)
        if instant.astimezone(zone).replace(tzinfo=None) == local:
            return instant
        local += timedelta(minutes=1)


class Daily(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """done: dates whose work was done; a clock that is set back does not bring them again."""

    def __init__(self, at: time, zone: tzinfo, done: Collection[date] = ()) -> None:
        self._at, self._zone, self._done = at, zone, done

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The first time due from `now` on, and after the previous one."""
        after = now if previous_fire_time is None else max(now, previous_fire_time + timedelta(seconds=1))
        day = after.astimezone(self._zone).date()
        while day in self._done or due_on(day, self._at, self._zone) < after:
            day += timedelta(days=1)
        return due_on(day, self._at, self._zone).astimezone(self._zone)
