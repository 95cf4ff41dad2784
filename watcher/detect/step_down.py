"""Where inside a day a plant's ratio of made to expected stepped down, and whether it has stood still since.

Rule: the split of the strong intervals that leaves the least squares on both sides; a day that began low has none.
"""

from __future__ import annotations

import numpy as np

from watcher.detect.level_days import Columns, Day


def step_down(columns: Columns, first: Day, last: Day) -> tuple[int, int, float, bool]:
    """Where in the first low day the ratio stepped down, and the last place at which it stood still higher; its level
    since, and whether it has been steady.

    The split of that day's strong intervals that leaves the least squares on both sides.
    """
    power, expected = columns.power, columns.expected
    strong = columns.both & (expected > 0.25 * np.nanmax(expected[first.first : last.last]))
    where = np.flatnonzero(strong[first.first : last.last]) + first.first
    if len(where) < 12:
        return first.first, first.first, last.share, False
    ratio = power[where] / expected[where]
    in_first = int(np.sum(where < first.last))
    best, split = np.inf, 0
    for k in range(in_first):
        head, tail = ratio[:k], ratio[k:in_first]
        cost = (float(np.var(head)) * len(head) if len(head) else 0.0) + float(np.var(tail)) * len(tail)
        if cost < best - 1e-12:
            best, split = cost, k
    usual = last.expected_mwh / last.allowed_mwh
    if split and 2.0 * float(np.median(ratio[:split])) < usual + float(np.median(ratio[split:])):
        split = 0  # what stood before it was no nearer to usual: the day began low
    since = ratio[split:]
    low, high = np.quantile(since, (0.1, 0.9))
    higher = int(where[split - 1]) if split else first.first
    return int(where[split]), higher, float(np.median(since)), bool(high - low < 0.15)
