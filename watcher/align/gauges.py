"""Gauges on the grid.

Rule: a value stands only where it was measured. A momentary value belongs to the interval it fell in; a mean labelled
with the end of its period fills that period backwards, never what follows, and is known only when it is over. Of two
means over the same time the one labelled first holds, so that what has been judged never changes afterwards.
"""

from __future__ import annotations

from array import array
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from watcher.align.quality import PowerFacts, power_flags
from watcher.align.window import Bools, Floats, Gauge, Ints, SampleFlag
from watcher.domain.instant import GRACE_MS, GRID_MS, ON_TIME_MS
from watcher.domain.neighbours import LATEST_MS, QUARTER_MS, quarter_of
from watcher.domain.quantity import Kind, Quantity
from watcher.domain.reading import Samples
from watcher.domain.site import Label


def instants(column: array[int]) -> Ints:
    """A column of instants, seen and not copied."""
    return np.frombuffer(column, dtype=np.int64) if len(column) else np.empty(0, dtype=np.int64)


def values(column: array[float]) -> Floats:
    """A column of values, seen and not copied."""
    return np.frombuffer(column, dtype=np.float64) if len(column) else np.empty(0, dtype=np.float64)


def gauge_on_grid(
    samples: Samples,
    quantity: Quantity,
    label: Label,
    period_ms: int,
    start_ms: int,
    points: int,
    power: PowerFacts | None = None,
) -> Gauge:
    """One gauge over `points` intervals from start_ms.

    samples: may reach beyond the window on both sides
    quantity: its range decides what is no measurement; its kind decides what several samples in an interval come to:
        the mean of a gauge, the last of a state or a day's register, every bit that was set
    label, period_ms: what a sample's time says, and the time one value is the mean of (0 for a momentary value)
    power: for a power channel, what the plant behind it can do
    """
    time, value = instants(samples.time_ms), values(samples.value)
    outside = (value < quantity.low) | (value > quantity.high)
    bad: npt.NDArray[np.uint8] = np.where(outside, np.uint8(SampleFlag.OUT_OF_RANGE), np.uint8(0))
    waiting = np.zeros(len(value), dtype=bool)
    if power is not None:
        more, waiting = power_flags(time, value, power)
        bad |= more
    good = bad == 0
    ends = start_ms + GRID_MS * np.arange(1, points + 1, dtype=np.int64)
    if label is Label.MEAN_ENDING and period_ms > GRID_MS:
        return _long_means(time, value, bad, waiting, instants(samples.known_ms), period_ms, ends)
    # A mean over up to five minutes labelled 10:05 lies before 10:05, a momentary value at 10:05 after.
    place = (time - 1 if label is Label.MEAN_ENDING else time) - start_ms
    place //= GRID_MS
    inside = (place >= 0) & (place < points)
    flags = np.zeros(points, dtype=np.uint8)
    np.bitwise_or.at(flags, place[inside], bad[inside])
    inside &= good
    merged = _merged(quantity.kind, place[inside], value[inside], points)
    return Gauge(merged, ends, np.zeros(points, dtype=np.int64), flags)


def quarters_on_grid(samples: Samples, quantity: Quantity, start_ms: int, points: int) -> Gauge:
    """One channel of the neighbours: what was reckoned of a quarter of an hour, usable from when it was reckoned.

    Of two values of one quarter the one that was reckoned first holds. A quarter without one is known to have none
    once a value would be late.
    """
    told: dict[int, tuple[float, int]] = {}
    for label_ms, value, known_ms in zip(samples.time_ms, samples.value, samples.known_ms, strict=True):
        # What came on time may have come so much later than its label, and nobody can tell any more.
        told.setdefault(quarter_of(label_ms), (value, max(known_ms, label_ms + ON_TIME_MS)))
    quarters = Samples(*(array("q", told), *map(array, "dq", zip(*told.values(), strict=True))))
    ends = start_ms + GRID_MS * np.arange(1, points + 1, dtype=np.int64)
    found = gauge_on_grid(quarters, quantity, Label.MEAN_ENDING, QUARTER_MS, start_ms, points)
    over = -(-ends // QUARTER_MS) * QUARTER_MS + LATEST_MS
    return replace(found, known_ms=np.where(np.isnan(found.value), over, found.known_ms))


def _merged(kind: Kind, place: Ints, value: Floats, points: int) -> Floats:
    """What the samples of each interval come to; NaN where there are none."""
    merged = np.full(points, np.nan)
    if kind is Kind.GAUGE:
        count = np.bincount(place, minlength=points)
        total = np.bincount(place, weights=value, minlength=points)
        np.divide(total, count, out=merged, where=count > 0)
        return merged
    if kind is Kind.BITS:
        bits = np.zeros(points, dtype=np.int64)
        np.bitwise_or.at(bits, place, value.astype(np.int64))
        merged[place] = bits[place]
    else:
        # Halfway between "asleep" and "producing" there is no state: the last one holds.
        last = np.flatnonzero(np.diff(place, append=points))
        merged[place[last]] = value[last]
    return merged


def _long_means(
    time: Ints, value: Floats, bad: npt.NDArray[np.uint8], waiting: Bools, known: Ints, period_ms: int, ends: Ints
) -> Gauge:
    """Means over more than one interval, each over (label - period, label].

    An interval belongs to the period its middle lies in, so labels off the grid leave no hole and no overlap.
    """
    points = len(ends)
    # Nothing there: only when the period is over is it sure that nothing comes on time.
    missed = -(-ends // period_ms) * period_ms
    if len(time) == 0:
        return Gauge(np.full(points, np.nan), missed, np.zeros_like(ends), np.zeros(points, dtype=np.uint8))
    middles = ends - GRID_MS // 2
    row = np.searchsorted(time, middles, side="left")
    covered = row < len(time)
    row[~covered] = 0
    covered &= time[row] - period_ms < middles
    held = covered & (bad[row] == 0)
    label_ms = time[row]
    seen_from = (known[row] - GRACE_MS) // GRID_MS * GRID_MS + GRID_MS
    over = -(-label_ms // GRID_MS) * GRID_MS
    # Forecasts are known before their time and satellite values long after it; all others when the period is over.
    usable = np.where(
        known[row] < label_ms, seen_from, np.where(known[row] > label_ms, np.maximum(over, seen_from), over)
    )
    # A leap is believed, or not, once the next period is over.
    usable = np.where(waiting[row], np.maximum(usable, over + period_ms), usable)
    flags: npt.NDArray[np.uint8] = np.where(covered, bad[row], np.uint8(0))
    return Gauge(
        np.where(held, value[row], np.nan),
        np.where(held | (covered & waiting[row]), np.maximum(ends, usable), missed),
        np.where(held, label_ms, 0),
        flags,
    )
