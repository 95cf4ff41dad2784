"""Days that may say what is usual, and those that may not: shared by detectors that hold a pair or a device against
its own past.

Rule: days on which something was told, or was in question, never become usual. A figure says since which day it was
so; the days before the window come back from their figures with that in force.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Protocol, Self, TypeVar

from watcher.domain.day import PAST_DAYS, DayFigure

ON_FILE, SINCE = "on_file", "since"
"""What every such figure holds: a number of the facts it was judged under, and the ordinal of the day since when days
are in question, 0 for none."""


class UsualDay(Protocol):
    """day: ordinal. joins: whether it may say what is usual"""

    @property
    def day(self) -> int: ...
    @property
    def joins(self) -> bool: ...
    def apart(self) -> Self:
        """The same day, in no usual."""
        ...


D = TypeVar("D", bound=UsualDay)


def without(days: Sequence[D], first: int) -> list[D]:
    """The same days, those from an ordinal on in no usual: a fault that lasts must not become so."""
    return [one if one.day < first else one.apart() for one in days]


def joining(days: Sequence[D], through: int, most: int) -> list[D]:
    """The newest so many days up to an ordinal that may say what is usual. days: ascending"""
    return [one for one in days if one.joins and one.day <= through][-most:]


def remembered(
    figures: Iterable[DayFigure], on_file: float, day_of: Callable[[DayFigure], D], enough: int = PAST_DAYS
) -> list[D]:
    """Days as their figures keep them, ascending like those; of days judged under other facts none.

    enough: who asks for no more than so many that may say what is usual is given no older ones
    """
    found: list[D] = []
    since = None  # the earliest day that any later figure puts in question
    for one in reversed([one for one in figures if one.values[ON_FILE] == on_file]):
        if one.values[SINCE]:
            since = min(int(one.values[SINCE]), since or int(one.values[SINCE]))
        day = day_of(one)
        found.append(day if since is None or day.day < since else day.apart())
        enough -= found[-1].joins
        if enough <= 0:
            break
    return found[::-1]
