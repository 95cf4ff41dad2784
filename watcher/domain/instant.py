"""Instants, the evaluation grid, and local days.

Rule: inside the program an instant is a whole number of milliseconds since 1970 UTC, in a name that ends
in `_ms`. Whole numbers compare, store and add exactly. `datetime` appears at the edges only, always aware.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

SECOND_MS = 1_000
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000

GRID_MS = 5 * MINUTE_MS
"""Verdicts are given at multiples of this; the point `end` judges the interval [end - GRID_MS, end)."""

GRACE_MS = 120 * SECOND_MS
"""Evaluating `end` sees only what was received before end + GRACE_MS."""

ON_TIME_MS = 90 * SECOND_MS
"""A row received within this of its own time carries no `received`; it must stay below GRACE_MS."""

POINTS_A_DAY = DAY_MS // GRID_MS


def to_ms(instant: datetime) -> int:
    """Milliseconds since 1970 UTC. ValueError for a naive datetime: it names no instant."""
    if instant.tzinfo is None:
        raise ValueError(f"{instant!r} has no time zone, so it is no instant")
    return round((instant - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(milliseconds=1))


def from_ms(ms: int) -> datetime:
    """The aware UTC datetime of an instant."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)


def iso(ms: int) -> str:
    """An instant as ISO 8601 text in UTC: 2026-06-21T10:35:00Z, with milliseconds only where there are any."""
    instant = from_ms(ms)
    text = instant.isoformat(timespec="milliseconds" if ms % 1000 else "seconds")
    return text.replace("+00:00", "Z")


def parse_iso(text: str) -> int:
    """The instant of an ISO 8601 text with an offset or Z. ValueError where it has none."""
    return to_ms(datetime.fromisoformat(text))


def floor_grid(ms: int) -> int:
    """The grid point at or before an instant."""
    return ms - ms % GRID_MS


def ceil_grid(ms: int) -> int:
    """The grid point at or after an instant."""
    return -(-ms // GRID_MS) * GRID_MS


def floor_day(ms: int) -> int:
    """Midnight UTC at or before an instant."""
    return ms - ms % DAY_MS


def due_through(received_through_ms: int) -> int:
    """The last grid point that may be judged once the store has received through this instant."""
    return floor_grid(received_through_ms - GRACE_MS)


def first_point_that_sees(received_ms: int) -> int:
    """The first grid point whose evaluation sees a row received at this instant."""
    return floor_grid(received_ms - GRACE_MS) + GRID_MS


def local_day_of(ms: int, zone: ZoneInfo) -> date:
    """The civil date of the site at an instant."""
    return from_ms(ms).astimezone(zone).date()


@lru_cache(maxsize=4096)
def local_day(day: date, zone: ZoneInfo) -> tuple[int, int]:
    """UTC bounds [start, end) of one civil day of the site: 23, 24 or 25 hours."""
    start = datetime.combine(day, time(), tzinfo=zone)
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone)
    return to_ms(start.astimezone(UTC)), to_ms(end.astimezone(UTC))


@lru_cache(maxsize=4096)
def settle_point(day: date, zone: ZoneInfo) -> int:
    """The grid point at which a civil day of the site settles: the first at or after 03:00 the next morning."""
    next_morning = datetime.combine(day + timedelta(days=1), time(3), tzinfo=zone)
    return ceil_grid(to_ms(next_morning.astimezone(UTC)))
