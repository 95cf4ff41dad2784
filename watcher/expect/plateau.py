"""Where output stands at a ceiling, and the ceiling an inverter has that nobody typed.

Rule: one flat top is a clear noon; a ceiling is the same flat top on several days, reached and never passed. One that
comes later is no ceiling of the plant's but news, for output has been higher before.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

import numpy as np

from watcher.align.window import Bools, Floats

FLAT = 0.005
"""Share by which output at a ceiling trembles."""

SAME, PASSED = 0.01, 1.02
"""Tops of several days agree within the first; output over the second times a ceiling proves that it is none."""

FEWEST_DAYS = 4
COULD_MORE = 1.05
"""Over a flat top the sun must allow this much more than it, or the top may be a clear noon's."""


def day_top(power: Floats, fewest: int, could: Floats | None = None) -> float:
    """The level of the longest stretch at a day's top; 0 where it lasts for fewer intervals than so many. [W]

    could: what the sun alone allows, where that is known
    """
    known = np.where(np.isfinite(power), power, -1.0)
    if len(known) < fewest or fewest < 3:
        return 0.0
    high = float(np.partition(known, -3)[-3])  # a spike or two are no top
    if high <= 0.0:
        return 0.0
    first, stop = _longest(np.abs(known - high) <= FLAT * high)
    if stop - first < fewest:
        return 0.0
    level = float(np.median(known[first:stop]))
    if could is not None and not float(np.nanmedian(could[first:stop])) > COULD_MORE * level:
        return 0.0
    return level


def ceiling(tops: Sequence[float], peaks: Sequence[float]) -> float:
    """The ceiling that these days' tops come to; 0 where there is none. tops: as day_top. peaks: highest outputs [W]"""
    highest = max(tops, default=0.0)
    near = [top for top in tops if top >= (1.0 - SAME) * highest > 0.0]
    if len(near) < FEWEST_DAYS or max(peaks) > PASSED * median(near):
        return 0.0
    return median(near)


def at_ceiling(power: Floats, level: float, fewest: int) -> Bools:
    """Where output stands at a ceiling for at least so many intervals running."""
    near = np.abs(np.where(np.isfinite(power), power, -1.0) - level) <= FLAT * level
    edges = np.flatnonzero(np.diff(np.concatenate(([0], near.astype(np.int8), [0]))))
    found = np.zeros(len(power), dtype=bool)
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - first >= fewest:
            found[first:stop] = True
    return found


def _longest(mask: Bools) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    return max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
