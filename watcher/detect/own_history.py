"""How a daily measure of a device has moved against its own history.

Rule: the newest days all on one side of what was usual, by more than half of what they differ by in the middle; as many
days again lie between them and the days before, so that what begins slowly does not become usual first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isnan
from statistics import median
from typing import Self


@dataclass(frozen=True, slots=True)
class Told:
    """day: ordinal. value: of the measure, NaN where it was not told. joins: whether it may say what is usual"""

    day: int
    value: float
    joins: bool = True

    def apart(self) -> Self:
        return replace(self, joins=False)


@dataclass(frozen=True, slots=True)
class Moved:
    """was, by: of the measure, and its change. error: the days' own spread. since: ordinal of the first to show it"""

    was: float
    by: float
    error: float
    since: int


@dataclass(frozen=True, slots=True)
class Reach:
    """newest: so many days are held against those before, at least fewest_before and at most before of them

    spread: no spread of days is taken for less
    """

    newest: int
    spread: float
    fewest_before: int = 10
    before: int = 40


def moved(days: Sequence[Told], reach: Reach, fewest: int = 0) -> Moved | None:
    """None where the days are too few. days: ascending. fewest: of the newest, all of them where it is 0"""
    told = [one for one in days if not isnan(one.value)]
    newest = told[-reach.newest :]
    if len(newest) < (fewest or reach.newest):
        return None
    before = [one for one in told[: -2 * reach.newest] if one.joins][-reach.before :]
    if len(before) < reach.fewest_before:
        return None
    was = median(one.value for one in before)
    error = max(1.4826 * median(abs(one.value - was) for one in before), reach.spread)
    by = [one.value - was for one in newest]
    weakest, middle = min(by, key=abs), median(by)
    if weakest * middle <= 0.0 or abs(weakest) < abs(middle) / 2.0:  # not on all of them
        return Moved(was, weakest, error, newest[0].day)
    since = newest[0].day
    for one in reversed([one for one in told if one.day > before[-1].day]):
        if (one.value - was) / middle < 0.5:
            break
        since = one.day
    return Moved(was, middle, error, since)
