"""What neighbouring sites tell of the sky and of the mains: a device that a site has without any wire.

Rule: what neighbours say is a reading like any other, kept and received like any other, so that a replay sees what
live saw. It speaks of a quarter of an hour and is labelled with the instant at which it was reckoned: by then the
quarter had been over for SETTLE_MS, so that what the neighbours' devices said had come in. It is never late by rights.
"""

from __future__ import annotations

import math

from watcher.domain.instant import MINUTE_MS

NEIGHBOURS = "neighbours"
"""The device. Its channels: `ghi`, what the neighbours' output makes of the light on the horizontal at this site;
`sites_near`, how many of them must generate under all but the blackest cloud; `sites_dark`, how many of those do not,
or make less than any cloud leaves."""

QUARTER_MS = 15 * MINUTE_MS
SETTLE_MS = 5 * MINUTE_MS
LATEST_MS = SETTLE_MS + QUARTER_MS
"""After a quarter's end: from then on its value would be late."""

FEWEST = 3
"""Neighbours that a value of the light rests on at least: of two that disagree nobody can say which is right."""

_EARTH_KM = 6371.0


def quarter_of(label_ms: int) -> int:
    """The end of the quarter that a value with this label speaks of."""
    return (label_ms - SETTLE_MS) // QUARTER_MS * QUARTER_MS


def label_of(quarter_ms: int, now_ms: int) -> int:
    """The label of a quarter's value that is reckoned now: now, or the last instant at which that was not late."""
    return min(max(now_ms, quarter_ms + SETTLE_MS), quarter_ms + LATEST_MS - 1)


def distance_km(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Between two places, each (latitude, longitude) in degrees, along a great circle."""
    (north_1, east_1), (north_2, east_2) = (tuple(map(math.radians, place)) for place in (one, other))
    half = math.sin((north_2 - north_1) / 2) ** 2
    half += math.cos(north_1) * math.cos(north_2) * math.sin((east_2 - east_1) / 2) ** 2
    return 2.0 * _EARTH_KM * math.asin(min(1.0, math.sqrt(half)))
