"""Tells a frozen service by what it says. Pure.

Rule: weather does not repeat itself to the last digit. Lit periods that give exactly what the same periods gave a day
before, several in a row, are an old answer under new times (case F6) and no reading of today's sky.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from watcher.domain.instant import DAY_MS
from watcher.domain.reading import Reading

IN_A_ROW = 3
"""One overcast hour may come out the same by chance, three with temperature and wind do not (own estimate)."""
IN_A_ROW_ALONE = 6
"""Irradiance alone: rounded to whole numbers, clear days at midsummer agree for an hour or two."""
_LIT_WM2 = 10.0
_COMPANIONS = ("temp_air", "wind_speed")


class Repeats(NamedTuple):
    """ends: of the periods that repeat the day before, where enough lit ones stand in a row

    since_ms: the end of the first of them where the newest lit period is still one; None where it is not
    """

    ends: frozenset[int]
    since_ms: int | None


def repeats(readings: Iterable[Reading]) -> Repeats:
    """What of an answer repeats the day before.

    readings: of one device, any order; what stands a day apart must be in them to be compared
    """
    told: dict[int, dict[str, float]] = {}
    for reading in readings:
        told.setdefault(reading.time_ms, {})[reading.channel.rpartition(".")[2]] = reading.value
    found: set[int] = set()
    run: list[int] = []
    frozen = False
    for end_ms in sorted(told):
        same = told[end_ms] == told.get(end_ms - DAY_MS)
        if told[end_ms].get("ghi", 0.0) <= _LIT_WM2:
            # Nights are alike and prove nothing; but what follows on a frozen day, is part of it.
            if frozen and same:
                found.add(end_ms)
            continue
        run = [*run, end_ms] if same else []
        accompanied = all(any(name in told[one] for name in _COMPANIONS) for one in run)
        frozen = len(run) >= (IN_A_ROW if accompanied else IN_A_ROW_ALONE)
        if frozen:
            found.update(run)
    return Repeats(frozenset(found), run[0] if frozen else None)
