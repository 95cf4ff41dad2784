"""The window: what had been received by now, on the grid, in columns.

Every array has one entry per grid interval; entry i is the interval [start_ms + i*GRID_MS, +GRID_MS), whose
verdict belongs to the grid point at its end. Missing is NaN. Energy is counted in whole milliwatt-hours held in
float64 (exact to 9e15), so sums come out the same however time was cut.

Rule of cause and effect: a value may be used at grid point p only where known_ms <= p. A value that is known at the
end of its own interval has known_ms equal to that end; a mean over an hour is known for all its intervals only
when the hour is over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntFlag, StrEnum

import numpy as np
import numpy.typing as npt

from watcher.domain.instant import GRID_MS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


class SegmentFlag(StrEnum):
    """What stands between two readings of a counter."""

    COUNTED = "counted"
    DIPPED = "dipped"  # the register fell and came back; the energy is that of before and after
    ROLLED_OVER = "rolled-over"
    RESTARTED = "restarted"  # energy of the new series alone, booked once it is known to be one
    JUMPED = "jumped"  # more than the plant can make: no energy
    UNCOUNTED = "uncounted"  # pulses were missed while nobody listened; with them, the energy the dial tells of
    ANCHORED = "anchored"  # the index was put to the dial in between; the energy is that of the pulses alone


class SampleFlag(IntFlag):
    """What was left out of a gauge's interval, and why."""

    NONE = 0
    OUT_OF_RANGE = 1  # outside what can be measured, or beyond what the plant can do
    STUCK = 2  # the same figure for an hour, neither at rest nor at a limit
    OUTLIER = 4  # a mean far from both its neighbours, which agree


@dataclass(frozen=True, slots=True)
class CounterSegment:
    """Energy between two readings of a counter, and nowhere else.

    start_ms, end_ms: times of the two readings, minutes or a quarter apart
    wh: None where the step cannot be energy
    """

    start_ms: int
    end_ms: int
    wh: float | None
    flag: SegmentFlag


@dataclass(frozen=True, slots=True)
class DialCheck:
    """A reading typed from the display, held against pulses.

    at_ms: when it was read. index_wh: what it showed
    drift_wh: how much more the dial moved since the reading before than the pulses say; None where there is none
        before it, or the meter was exchanged in between
    booked: whether that much was booked as missed (SegmentFlag.UNCOUNTED); else it is no energy
    """

    at_ms: int
    index_wh: float
    drift_wh: float | None
    booked: bool = False


@dataclass(frozen=True, slots=True)
class Gauge:
    """A measured value on the grid.

    value: mean of the samples in the interval, or the mean over the longer period it lies in; NaN where none
    known_ms: grid point from which the entry may be used; where there is no value, the interval's own end, or the
        end of the longer period it lies in: until then one could still come
    label_ms: for a mean over a longer period, the time it was labelled with (its end); 0 otherwise
    flags: SampleFlag bits of what was left out
    """

    value: Floats
    known_ms: Ints
    label_ms: Ints
    flags: npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Counter:
    """A counter on the grid.

    segments: in order of time; a segment's energy is known at its end and belongs to all of it. A window that was
        built holds them in columns (align/segments.py) and makes the rows when asked
    energy_mwh: energy of the interval from segments of 15 minutes or less, spread evenly over them; NaN elsewhere
    known_ms: grid point from which the entry may be used
    booked_mwh: energy of the segments that end in the interval, of whatever length up to the source's own pace
        (two and a half polling intervals, at least 15 minutes); 0 where none ends. Its running sum is what a
        register has counted while it was watched.
    index_wh: the last accepted register value seen at or before the interval's end; NaN before the first
    seen_ms: the time of the last sample at or before the interval's end, accepted or not; 0 before the first
    moved_ms: the time of the last reading that was above the one before it; 0 before the first
    shown_wh: the last register value in range seen at or before the interval's end, believed or not: the only trace of
        a register that runs backwards; NaN before the first. For an index had from pulses, that of the pulses
    dials: for an index had from pulses, the readings typed from the display
    """

    segments: Sequence[CounterSegment]
    energy_mwh: Floats
    known_ms: Ints
    booked_mwh: Floats
    index_wh: Floats
    seen_ms: Ints
    moved_ms: Ints
    shown_wh: Floats
    dials: Sequence[DialCheck] = ()


@dataclass(frozen=True, slots=True)
class Window:
    """start_ms: start of the first interval, a midnight UTC. points: number of intervals."""

    start_ms: int
    points: int
    gauges: Mapping[str, Gauge]
    counters: Mapping[str, Counter]

    def ends(self) -> Ints:
        """The grid point of each interval."""
        return self.start_ms + GRID_MS * np.arange(1, self.points + 1, dtype=np.int64)

    def index_of(self, point_ms: int) -> int:
        """The interval whose verdict is given at a grid point."""
        return (point_ms - self.start_ms) // GRID_MS - 1

    def gauge(self, channel: str) -> Gauge | None:
        return self.gauges.get(channel)

    def counter(self, channel: str) -> Counter | None:
        return self.counters.get(channel)
