"""Which readings of a meter hang together: the chain of them that a plant can have written.

Rule: a reading is left out only where that puts right more than it costs: a slip of the pen is undone by the next
reading, an exchange or a reset is not. What is left out is named, never changed. Gross things alone are judged here; a
reading a third out is for whoever knows the usual level (reading_steps.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from watcher.align.typed import MeterLife, Since, Standing, TypedReading, continuous
from watcher.align.window import Ints
from watcher.expect.past_energy import PastEnergy

REACH = 6
"""So many readings in a row can be skipped at most."""

HIGH_RATIO = 2.2
"""Over the usual share of the expectation: no sunshine explains it, an extension that nobody told of hardly does."""

WELL = 0.85
"""Quantile of the shares that is believed to be of a plant that is well, and of readings that are right."""

LIGHT_WH = 20_000.0
"""Expected over less than this, a share says nothing."""

_SKIPPED, _SKIPPED_ASKED, _HIGH, _BROKEN, _STRAY = 1.0, 0.4, 3.0, 3.0, 0.05
"""What it costs to leave a reading out, or one that was asked about; to believe in too much, or in a register that
began anew; and, to choose between two chains alike in that, in a share of the output more or less than usual."""


@dataclass(frozen=True, slots=True)
class Chain:
    """kept: in order of time. wh: energy between one and the next, None where the register began anew unexplained.

    left_out: readings that do not fit, those asked about included
    """

    kept: tuple[TypedReading, ...]
    wh: tuple[float | None, ...]
    left_out: tuple[TypedReading, ...]


def chain(readings: Sequence[TypedReading], life: MeterLife, energy: PastEnergy) -> Chain:
    """The readings that are believed: none that was withdrawn, one that is asked about once a later bears it out."""
    told = [one for one in readings if one.standing is not Standing.WITHDRAWN]
    asked = [one.standing is Standing.ASKED for one in told]
    waits = tuple(told[-1:]) if asked[-1:] == [True] and asked[-2:-1] == [False] else ()
    own = [replace(one, standing=Standing.GOOD) for one in told[: len(told) - len(waits)]]
    if len(own) < 2:
        return Chain(tuple(own), (), waits)
    gained = {
        (a, b): _between(own[a], own[b], life)
        for b in range(len(own))
        for a in range(max(0, b - REACH - 1), b)
    }  # fmt: skip
    expected = _expected(own, gained, energy)
    ratios = {pair: wh / expected[pair] for pair, wh in gained.items() if wh is not None and expected[pair] > LIGHT_WH}
    usual = _usual(ratios)

    def cost(a: int, b: int) -> float:
        off = ratios.get((a, b), usual) / usual
        found = _BROKEN if gained[a, b] is None else _HIGH if off > HIGH_RATIO else _STRAY * min(abs(off - 1.0), 3.0)
        return found + sum(_SKIPPED_ASKED if asked[n] else _SKIPPED for n in range(a + 1, b))

    def edge(first: int, last: int) -> float:
        return sum(_SKIPPED_ASKED if asked[n] else _SKIPPED for n in range(first, last))

    best = [edge(0, n) if n <= REACH else np.inf for n in range(len(own))]
    came: list[int | None] = [None] * len(own)
    for b in range(len(own)):
        for a in range(max(0, b - REACH - 1), b):
            # An equal cost goes to the shorter step, so that nothing is left out for nothing.
            if (whole := best[a] + cost(a, b)) <= best[b]:
                best[b], came[b] = whole, a
    tail = range(max(0, len(own) - REACH - 1), len(own))
    at: int | None = min(tail, key=lambda n: (best[n] + edge(n + 1, len(own)), -n))
    path: list[int] = []
    while at is not None:
        path.append(at)
        at = came[at]
    path.reverse()
    return Chain(
        tuple(own[n] for n in path),
        tuple(gained[pair] for pair in pairwise(path)),
        (*(own[n] for n in range(len(own)) if n not in set(path)), *waits),
    )


def _between(old: TypedReading, new: TypedReading, life: MeterLife) -> float | None:
    """Energy between two readings through whatever was told of the meter in between; None where unknown. [Wh]"""
    own = tuple(change for change in life.changes if old.at_ms <= change.at_ms < new.at_ms)
    totals = continuous((old, new), replace(life, changes=own))
    if any(total.since is Since.NOTHING for total in totals[1:]):
        return None
    return totals[-1].wh - totals[0].wh


def _expected(
    own: Sequence[TypedReading], pairs: dict[tuple[int, int], float | None], energy: PastEnergy
) -> dict[tuple[int, int], float]:
    at: Ints = np.array([one.at_ms for one in own], dtype=np.int64)
    first, last = (np.array(column, dtype=np.int64) for column in zip(*pairs, strict=True))
    sums = energy.between(at[first], at[last]).expected
    return dict(zip(pairs, np.nan_to_num(sums).tolist(), strict=True))


def _usual(ratios: dict[tuple[int, int], float]) -> float:
    """What the shares from each reading to the next are when it is well; 1 where there are none.

    Not their middle: a plant may have been half dead most of the time.
    """
    near = [ratio for (a, b), ratio in ratios.items() if b == a + 1 and 0.05 < ratio < 5.0]
    return float(np.quantile(near, WELL)) if near else 1.0
