"""The hour that happens twice: local times without an offset on the night the clocks go back (case D1).

Rule: no row is lost. The rows' order settles which pass they belong to; where it can't, a counter that rises
steadily does; where neither can, the first pass is taken and said to be a guess.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from enum import StrEnum
from itertools import pairwise

from watcher.domain.instant import to_ms

_CLEARLY = 0.5  # one reading of the rows fits clearly better where its error is less than half the other's


class Pass(StrEnum):
    """How sure it is which pass of the hour a row belongs to."""

    CERTAIN = "certain"
    INFERRED = "inferred"
    AMBIGUOUS = "ambiguous"


class Hour(StrEnum):
    """What a local time is on its day."""

    ONCE = "once"
    TWICE = "twice"
    NEVER = "never"  # skipped when the clocks went forward


@dataclass(frozen=True, slots=True)
class Stamped:
    """A row's place in time. local: without zone. counters: values of its rising registers, by channel."""

    local: datetime
    counters: dict[str, float]


@dataclass(frozen=True, slots=True)
class Fixed:
    """A neighbouring row whose instant is not in doubt."""

    time_ms: int
    counters: dict[str, float]


def hour_of(local: datetime, zone: tzinfo) -> Hour:
    """Whether a local time happens once, twice or never."""
    first, second = (local.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    assert first is not None
    assert second is not None
    return Hour.ONCE if first == second else Hour.TWICE if first > second else Hour.NEVER


def instant(local: datetime, zone: tzinfo, fold: int = 0) -> int:
    return to_ms(local.replace(tzinfo=zone, fold=fold))


def passes(before: Fixed | None, rows: Sequence[Stamped], after: Fixed | None, zone: tzinfo) -> tuple[list[int], Pass]:
    """Instants of consecutive rows that all lie in a double hour, and how sure they are.

    before, after: the rows around them in the file, None at its ends. Newest-first files are read backwards.
    """
    if _runs_backwards(before, rows, after):
        times, sure = passes(after, rows[::-1], before, zone)
        return times[::-1], sure
    folds = _by_order([row.local for row in rows])
    if folds is not None:
        return [instant(row.local, zone, fold) for row, fold in zip(rows, folds, strict=True)], Pass.CERTAIN
    steps_back = sum(later.local < earlier.local for earlier, later in pairwise(rows))
    first, second = ([instant(row.local, zone, fold) for row in rows] for fold in (0, 1))
    if steps_back or before is None or after is None:
        return first, Pass.AMBIGUOUS
    errors = [_unsteadiness(before, rows, times, after) for times in (first, second)]
    if errors[0] is None or errors[1] is None:
        return first, Pass.AMBIGUOUS
    if errors[0] < _CLEARLY * errors[1]:
        return first, Pass.INFERRED
    return (second, Pass.INFERRED) if errors[1] < _CLEARLY * errors[0] else (first, Pass.AMBIGUOUS)


def _runs_backwards(before: Fixed | None, rows: Sequence[Stamped], after: Fixed | None) -> bool:
    if before is not None and after is not None:
        return before.time_ms > after.time_ms
    steps = [(later.local > earlier.local) - (later.local < earlier.local) for earlier, later in pairwise(rows)]
    return sum(steps) < 0


def _by_order(locals: Sequence[datetime]) -> list[int] | None:
    """The pass of each row where order tells: the clock steps back once, or a sorted list has each time in pairs."""
    back = [at for at, (earlier, later) in enumerate(pairwise(locals), start=1) if later < earlier]
    if len(back) == 1:
        return [0] * back[0] + [1] * (len(locals) - back[0])
    in_pairs = len(locals) % 2 == 0 and locals[::2] == locals[1::2] and len(set(locals)) * 2 == len(locals)
    return [0, 1] * (len(locals) // 2) if not back and in_pairs else None


def _unsteadiness(before: Fixed, rows: Sequence[Stamped], times: Sequence[int], after: Fixed) -> float | None:
    """How far the counters leave a straight line from before to after, in parts of their rise; None without a rise."""
    span = after.time_ms - before.time_ms
    worst: float | None = None
    for name, start in before.counters.items():
        rise = after.counters.get(name, start) - start
        if rise <= 0 or span <= 0:
            continue
        for row, time_ms in zip(rows, times, strict=True):
            if name in row.counters:
                off = abs((row.counters[name] - start) / rise - (time_ms - before.time_ms) / span)
                worst = max(worst or 0.0, off)
    return worst
