"""One day of a channel, fit for use: offsets clipped, long means spread, the impossible left out.

Rule: what can't be irradiance is no reading, and a reading is never repaired. Every decision about an interval rests
on that interval, the mean it belongs to, and what came before.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

import numpy as np

from watcher.align.window import Bools, Floats, Gauge, Ints, Window
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS
from watcher.expect.geometry import Sky

TOO_BRIGHT = 1.25  # times the clear sky: cloud edges reach it for minutes, not for longer (case F6)
TOO_BRIGHT_POINTS = 15 * MINUTE_MS // GRID_MS + 1
TOO_DARK_WM2 = 1.0  # the darkest overcast leaves several W/m2 with the sun at 10 degrees (own estimate)
TOO_DARK_POINTS = HOUR_MS // GRID_MS
SUN_IS_UP_DEG = 10.0  # below it the clear sky is too uncertain to call a reference impossible
SPREAD_FROM_WM2 = 10.0  # a clear-sky mean below this is dawn: its quotient means nothing


class Track(NamedTuple):
    """One quantity over the day; NaN where unknown. known_ms: grid point from which the entry may be used."""

    value: Floats
    known_ms: Ints


def first_of(tracks: Sequence[Track], ends: Ints) -> Track:
    """Of several tracks the first that has a value, interval by interval."""
    value = np.full(len(ends), np.nan)
    known_ms = ends.copy()
    for track in tracks:
        takes = np.isnan(value) & np.isfinite(track.value)
        value[takes], known_ms[takes] = track.value[takes], track.known_ms[takes]
    return Track(value, known_ms)


def known_by(known_ms: Ints, tracks: Iterable[Track], where: Bools | None = None) -> Floats:
    """Of several tracks the first value that was known by then; NaN where none, or outside `where`."""
    value = np.full(len(known_ms), np.nan)
    for track in tracks:
        takes = np.isnan(value) & (track.known_ms <= known_ms)
        value[takes] = track.value[takes]
    return value if where is None else np.where(where, value, np.nan)


class Reader:
    """Cuts one day out of a window; what the window does not hold is unknown."""

    def __init__(self, window: Window, ends: Ints) -> None:
        self.window, self.ends = window, ends
        self.first = int(ends[0] - GRID_MS - window.start_ms) // GRID_MS

    def has(self, channel: str) -> bool:
        return self.window.gauge(channel) is not None

    def track(self, channel: str) -> Track:
        """A channel as it was read."""
        value, known_ms, _ = self._columns(channel)
        return Track(value, known_ms)

    def as_bytes(self, devices: Collection[str]) -> bytes:
        """All there is to read of these devices: where it is the same, so is whatever rests on it."""
        names = sorted(name for name in self.window.gauges if name.partition(".")[0] in devices)
        parts = [name.encode() + column.tobytes() for name in names for column in self._columns(name)]
        return b"".join(parts)

    def irradiance(self, channel: str, clear: Floats, sky: Sky, *, trusted: bool = False) -> Track:
        """An irradiance: night offsets set to 0, long means spread by the clear sky, the impossible left out.

        trusted: beam or diffuse alone; it has no upper limit of its own (an overcast diffuse is brighter than a
        clear one) and stands or falls with its global irradiance.
        """
        value, known_ms, label_ms = self._columns(channel)
        value = spread(np.maximum(value, 0.0), clear, label_ms)
        if not trusted:
            value = np.where(implausible(value, clear, label_ms, sky), np.nan, value)
        return Track(value, known_ms)

    def _columns(self, channel: str) -> tuple[Floats, Ints, Ints]:
        count = len(self.ends)
        value, known_ms, label_ms = np.full(count, np.nan), self.ends.copy(), np.zeros(count, dtype=np.int64)
        gauge: Gauge | None = self.window.gauge(channel)
        if gauge is not None:
            take = slice(max(self.first, 0), max(self.first + count, 0))
            put = slice(max(-self.first, 0), max(-self.first, 0) + len(gauge.value[take]))
            value[put] = gauge.value[take]
            known_ms[put] = gauge.known_ms[take]
            label_ms[put] = gauge.label_ms[take]
        return value, known_ms, label_ms


def spread(value: Floats, clear: Floats, label_ms: Ints) -> Floats:
    """Means over longer periods, spread inside their period by holding the clear-sky index.

    value: momentary where label_ms is 0, otherwise the mean over all intervals with the same label
    clear: the same quantity under a clear sky
    A period that reaches over midnight UTC is spread over its part in this day.
    """
    labels, period = np.unique(label_ms, return_inverse=True)
    mean_clear = np.bincount(period, clear) / np.bincount(period)
    held = (labels > 0) & (mean_clear >= SPREAD_FROM_WM2)
    return np.where(held[period], value * clear / np.maximum(mean_clear, SPREAD_FROM_WM2)[period], value)


def implausible(value: Floats, clear: Floats, label_ms: Ints, sky: Sky) -> Bools:
    """Where an irradiance can't be one: far above a clear sky for over 15 minutes, or 0 for an hour of high sun.

    A mean is judged over its period, which is known at once; momentary values over the intervals up to this one.
    """
    _, period, counts = np.unique(label_ms, return_inverse=True, return_counts=True)
    points = np.where(label_ms > 0, counts[period], 1)
    with np.errstate(invalid="ignore"):
        bright = (sky.elevation_deg > SUN_IS_UP_DEG) & (value > TOO_BRIGHT * clear)
        dark = (sky.elevation_deg > SUN_IS_UP_DEG) & (value < TOO_DARK_WM2)
    return (
        _held(bright, TOO_BRIGHT_POINTS)
        | (bright & (points >= TOO_BRIGHT_POINTS))
        | _held(dark, TOO_DARK_POINTS)
        | (dark & (points >= TOO_DARK_POINTS))
    )


def _held(flag: Bools, points: int) -> Bools:
    """Where a flag has stood for so many intervals, this one included."""
    return np.convolve(flag.astype(np.int64), np.ones(points, dtype=np.int64))[: len(flag)] >= points
