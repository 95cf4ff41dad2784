"""A counted register on the grid.

Rule: energy of short segments is spread over the intervals they touch and adds up again to the milliwatt-hour. An
entry may be used once no further segment can touch its interval; before that it may still change, and an empty one
is not yet empty.
A reading at exactly a grid point belongs to the interval that ends there.
"""

from __future__ import annotations

import numpy as np

from watcher.align.counters import Counted
from watcher.align.segments import NO_ENERGY, Segments, share_mwh
from watcher.align.window import Bools, Counter, Floats, Ints
from watcher.domain.instant import GRID_MS, MINUTE_MS

SPREAD_MS = 15 * MINUTE_MS
"""The longest segment whose energy may be spread evenly; over more than this the sun does not stand still."""


def counter_on_grid(counted: Counted, start_ms: int, points: int, pace_ms: int) -> Counter:
    """Put a counted register on `points` intervals from start_ms.

    counted: of samples from start_ms to the window's end, both included
    pace_ms: the longest segment whose energy is booked where it ends
    """
    ends = start_ms + GRID_MS * np.arange(1, points + 1, dtype=np.int64)
    energy_mwh, known_ms = _spread(counted, start_ms, ends)
    return Counter(
        counted.segments,
        energy_mwh,
        known_ms,
        _booked(counted.segments, start_ms, points, pace_ms),
        latest(counted.accepted_ms, counted.accepted_mwh / 1000, ends, np.nan),
        latest(counted.seen_ms, counted.seen_ms, ends, 0).astype(np.int64),
        latest(counted.moved_ms, counted.moved_ms, ends, 0).astype(np.int64),
        latest(counted.shown_ms, counted.shown_mwh / 1000, ends, np.nan),
    )


def _spread(counted: Counted, start_ms: int, ends: Ints) -> tuple[Floats, Ints]:
    segments = counted.segments
    length = segments.end_ms - segments.start_ms
    short = length <= SPREAD_MS
    counts = short & (segments.mwh != NO_ENERGY)
    begin, mwh, length = segments.start_ms[counts], segments.mwh[counts], length[counts]
    first = (begin - start_ms) // GRID_MS
    points = len(ends)
    energy = np.zeros(points)
    touched = np.zeros(points, dtype=np.bool_)
    given = np.zeros(len(begin), dtype=np.int64)
    # A quarter of an hour that does not begin on the grid touches four intervals.
    for step in range(SPREAD_MS // GRID_MS + 1):
        place = first + step
        from_ms = start_ms + place * GRID_MS
        live = np.flatnonzero((from_ms < begin + length) & (place < points))
        if len(live) == 0:
            break
        passed = np.minimum(from_ms + GRID_MS - begin, length)
        share = share_mwh(mwh, passed, length)
        energy += np.bincount(place[live], weights=(share - given)[live], minlength=points)
        touched[place[live]] = True
        given = share
    absent_ms = _absent(counted.accepted_ms, ends)
    return np.where(touched, energy, np.nan), _known(segments, short, touched, absent_ms, ends)


def _absent(accepted_ms: Ints, ends: Ints) -> Ints:
    """From which grid point it is certain that no energy is spread over an interval none is spread over so far.

    Until a quarter has passed since the last reading before its end, the next one may still do so.
    """
    last_ms = latest(accepted_ms, accepted_ms, ends - 1, -SPREAD_MS).astype(np.int64)
    return np.maximum(ends, -(-(last_ms + SPREAD_MS) // GRID_MS) * GRID_MS)


def _known(segments: Segments, short: Bools, touched: Bools, absent_ms: Ints, ends: Ints) -> Ints:
    """From which grid point each interval's energy may be used."""
    if len(segments) == 0:
        return absent_ms
    after = np.searchsorted(segments.end_ms, ends)
    there = after < len(segments)
    after[~there] = 0
    over = there & short[after] & (segments.start_ms[after] < ends)
    complete = -(-segments.end_ms[after] // GRID_MS) * GRID_MS
    # Readings ceased inside the interval: no short segment can begin there any more once this much has passed.
    return np.where(touched, np.where(over, complete, ends + SPREAD_MS), absent_ms)


def _booked(segments: Segments, start_ms: int, points: int, pace_ms: int) -> Floats:
    counts = (segments.end_ms - segments.start_ms <= pace_ms) & (segments.mwh != NO_ENERGY)
    place = (segments.end_ms[counts] - start_ms - 1) // GRID_MS
    return np.bincount(place, weights=segments.mwh[counts], minlength=points).astype(np.float64)


def latest(at_ms: Ints, value: Floats | Ints, ends: Ints, before: float) -> Floats:
    """The value that stood last at or before each interval's end."""
    if len(at_ms) == 0:
        return np.full(len(ends), before)
    row = np.searchsorted(at_ms, ends, side="right") - 1
    return np.where(row >= 0, value[np.maximum(row, 0)], before)
