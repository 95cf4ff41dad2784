"""When a civil day settles, and settles again.

A day settles at the first grid point after 03:00 of the next local morning. Rows that become known for it later
settle it anew once they have been quiet for an hour, up to 45 days on. All of it follows from when rows were
received, so a replay settles the same days at the same points.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from itertools import zip_longest

from watcher.domain.instant import (
    DAY_MS,
    GRACE_MS,
    HOUR_MS,
    ceil_grid,
    first_point_that_sees,
    local_day,
    local_day_of,
    settle_point,
)
from watcher.domain.reading import Late
from watcher.domain.site import Site

QUIET_MS, QUARTER_MS = HOUR_MS, HOUR_MS // 4
REACH_DAYS = 45

Settlements = Mapping[date, tuple[int, ...]]
"""Civil day to the grid points at which it settles, ascending: revision 1, 2, ..."""


def settlements(site: Site, lates: Iterable[Late], first: date, last: date, through_ms: int) -> Settlements:
    """The points up to through_ms at which the days first..last settle.

    lates: every row of the site that came outside its time, received up to through_ms + GRACE_MS
    """
    touched: dict[date, list[int]] = {}
    days: dict[int, date] = {}

    def day_of(at_ms: int) -> date:
        quarter = at_ms // QUARTER_MS  # no zone begins its days within one, and a backlog has thousands of rows
        if quarter not in days:
            days[quarter] = local_day_of(at_ms, site.zone)
        return days[quarter]

    for late in lates:
        if late.received_ms < late.first_ms:
            continue  # a forecast that lay ahead has nothing to put right
        day, last_day = day_of(late.first_ms - 1), day_of(late.last_ms)
        while day <= last_day:
            touched.setdefault(day, []).append(late.received_ms)
            day += timedelta(days=1)
    found: dict[date, tuple[int, ...]] = {}
    day = first
    while day <= last:
        point = settle_point(day, site.zone)
        if point <= through_ms:
            found[day] = (point, *_again(site, day, point, sorted(touched.get(day, ())), through_ms))
        day += timedelta(days=1)
    return found


def _again(site: Site, day: date, settled_ms: int, received: list[int], through_ms: int) -> list[int]:
    """The points at which late rows, received at these instants, settle a day anew."""
    points: list[int] = []
    until_ms = local_day(day, site.zone)[1] + REACH_DAYS * DAY_MS
    after = [ms for ms in received if first_point_that_sees(ms) > settled_ms and ms <= until_ms]
    for ms, following in zip_longest(after, after[1:]):
        quiet_ms = ceil_grid(ms + QUIET_MS)
        # A row that is known by that point has broken the quiet.
        if following is not None and following < quiet_ms + GRACE_MS:
            continue
        if quiet_ms <= through_ms:
            points.append(quiet_ms)
    return points
