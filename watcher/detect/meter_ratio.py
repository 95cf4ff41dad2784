"""A meter against its own history: the ratio of what it counted to what it covers made, when that ratio moves.

Rule: registers over whole days, so that the steps of a register never add up; both ends seen. What moves is told once
it is several times what registers, meter and inverter may err between two stretches of the same pair; the errors are
our own study's. An inverter's counter is good to a few per cent and bends with its load by half of one, so very little
is never told. After a repair only the days since are held against the history.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import sqrt
from typing import NamedTuple

from watcher.detect.usual_days import joining

STRETCHES = (1, 2, 4, 7, 14, 28)
"""Clean days that are taken together, newest first."""

HISTORY_DAYS, LATEST_DAYS = 90, 10
"""The history is of so many clean days; the latest are left out, for a fault may have begun in them."""

HISTORY_KWH, HISTORY_STEPS = 20.0, 15.0
"""And of at least so much energy, and so many steps of the coarser register."""

DAY_ERROR, LOAD_ERROR = 0.006, 0.0022
"""Of one day by itself, and of any stretch however long: the inverter's counter is not linear."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """From when on something is said (alert/policy.py). least shares: of the energy

    errors, least: how far beyond its error and at all a ratio must be; day_errors, day_least: by a single day, which
        must stand out further. near: over this part of what is told nothing is said to be well
    sure: errors that tell days after a repair from those before it
    """

    errors: float
    least: float
    day_errors: float
    day_least: float
    near: float
    sure: float


class CleanDay(NamedTuple):
    """day: ordinal. told, made: energy by the meter, and by what it covers [Wh]. joins: may be part of the history"""

    day: int
    told_wh: float
    made_wh: float
    joins: bool = True

    def apart(self) -> CleanDay:
        return self._replace(joins=False)


@dataclass(frozen=True, slots=True)
class History:
    """ratio: of told to made. error: of it, relative"""

    ratio: float
    error: float


class Now(Enum):
    """What the newest days say of a ratio that had moved."""

    TOLD = "told"
    BETWEEN = "between"  # too near to say
    RECOVERED = "recovered"


@dataclass(frozen=True, slots=True)
class Moved:
    """deviation: of the ratio from its history, relative. days: clean days it is seen over. first: ordinal of the day
    since when it is so, recovered or not
    """

    now: Now
    deviation: float
    days: int
    first: int


def history(days: Sequence[CleanDay], today: int, step_wh: float) -> History | None:
    """Of the clean days up to ten days ago, ascending; None where they are too few."""
    used = joining(days, today - LATEST_DAYS, HISTORY_DAYS)
    made = _made(used)
    if made < 1000.0 * HISTORY_KWH or made < HISTORY_STEPS * step_wh:
        return None
    return History(sum(one.told_wh for one in used) / made, _error(made, len(used), step_wh, 0.0))


def moved(days: Sequence[CleanDay], before: History, step_wh: float, bounds: Bounds) -> Moved | None:
    """How the newest clean days, ascending, differ from the history; None where they clearly do not.

    days: since the last repair, where there was one
    """
    near: Moved | None = None
    for stretch in STRETCHES:
        taken = days[-stretch:]
        found = _deviation(taken, before, step_wh) if len(taken) == stretch else None
        if found is None:
            continue
        deviation, error = found
        beyond = max(bounds.errors * error, bounds.least)
        if stretch == 1:
            beyond = max(bounds.day_errors * error, bounds.day_least)
        if abs(deviation) > beyond:
            if well := _recovered(taken, before, step_wh, bounds.sure):
                return Moved(Now.RECOVERED, deviation, stretch, well)
            return Moved(Now.TOLD, deviation, stretch, _since(days, before))
        if near is None and abs(deviation) > bounds.near * beyond:
            near = Moved(Now.BETWEEN, deviation, stretch, days[-stretch].day)
    return near


def _deviation(days: Sequence[CleanDay], before: History, step_wh: float) -> tuple[float, float] | None:
    """Of a stretch from the history, and its error, both relative; None where nothing was made."""
    made = _made(days)
    if made <= 0.0:
        return None
    return sum(one.told_wh for one in days) / made / before.ratio - 1.0, _error(made, len(days), step_wh, before.error)


def _recovered(days: Sequence[CleanDay], before: History, step_wh: float, sure: float) -> int:
    """Since which day the newest of these, two at least, are as before and clearly not as the rest; 0: they are not.

    The two are told apart by what they may err against each other: neither the history nor the season counts there.
    """
    for stretch in STRETCHES[1:]:
        if stretch >= len(days):
            return 0
        newest, rest = days[-stretch:], days[:-stretch]
        now, then = _deviation(newest, before, step_wh), _deviation(rest, before, step_wh)
        if now is None or then is None:
            continue
        apart = sqrt(sum(_error(_made(part), len(part), step_wh, 0.0) ** 2 for part in (newest, rest)))
        if abs(now[0]) < abs(then[0]) / 2.0 and abs(now[0] - then[0]) > sure * apart:
            return newest[0].day
    return 0


def _made(days: Sequence[CleanDay]) -> float:
    return sum(one.made_wh for one in days)


def _since(days: Sequence[CleanDay], before: History) -> int:
    """The day since when: the stretch up to now that stands out most, for all the energy in it."""
    told = made = 0.0
    best, first = 0.0, days[-1].day
    for one in list(reversed(days))[: STRETCHES[-1]]:
        told, made = told + one.told_wh, made + one.made_wh
        weight = abs(told / made / before.ratio - 1.0) * sqrt(made) if made > 0.0 else 0.0
        if weight > best:
            best, first = weight, one.day
    return first


def _error(made_wh: float, days: int, step_wh: float, others: float) -> float:
    """Relative error of a ratio over a stretch. step_wh: of both registers together, root of squares by six"""
    return sqrt((1.3 * step_wh / made_wh) ** 2 + (DAY_ERROR / sqrt(days)) ** 2 + LOAD_ERROR**2 + others**2)


def quantum_wh(meter_step_wh: float, inverter_step_wh: float, inverters: int) -> float:
    """What the steps of the registers do to a difference between two readings of each. [Wh]"""
    return sqrt((meter_step_wh**2 + inverters * inverter_step_wh**2) / 6.0)


_FACTORS = (0.1, 0.3125, 0.5, 0.625, 0.8, 1.25, 1.6, 2.0, 3.2, 10.0)
"""What comes of one usual number of pulses for a kWh (800, 1000, 1600, 2000, 3200, 10000) in another's place."""

_LIKE_A_FACTOR, _LIKE_A_PHASE = 0.015, 0.05
_UNKNOWN_BEFORE = 0.03
"""How far a ratio may be from what it looks like; that of two never compared before by the inverter's own error."""


def causes(ratio: float, known: bool, pulses: bool, phases: int) -> tuple[str, ...]:
    """What a ratio of meter to inverter looks like: one thing, an honest few, or nothing.

    known: whether it is against the history of the two. pulses: the meter is read by them. phases: of the supply
    """
    found: list[str] = []
    near = _LIKE_A_FACTOR if known else _UNKNOWN_BEFORE
    if any(abs(ratio / factor - 1.0) < near for factor in _FACTORS):
        found.append("constant-wrong")
    if phases == 3 and min(abs(ratio - 2.0 / 3.0), abs(ratio - 1.0 / 3.0)) < _LIKE_A_PHASE:
        found.append("phase-missing")
    if found and not pulses:
        return tuple(found)
    found.append("pulses-lost" if ratio < 1.0 else "pulses-doubled")
    if not pulses and known:  # a step between two registers that were the same before: either may have taken it
        found.append("inverter-changed")
    return tuple(found) if pulses or known else ()
