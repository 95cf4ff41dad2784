"""A meter against its own history: the ratio of what it counted to what it covers made, when that ratio moves.

Rule: registers over whole days, so that the steps of a register never add up; both ends seen. What moves is told once
it is more than five times what registers, meter and inverter may err between two stretches of the same pair; the
errors are our own study's. An inverter's counter is good to a few per cent and bends with its load by half of one, so
less than 1.2 % is never told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import sqrt
from typing import NamedTuple

STRETCHES = (1, 2, 4, 7, 14, 28)
"""Clean days that are taken together, newest first."""

HISTORY_DAYS, LATEST_DAYS = 90, 10
"""The history is of so many clean days; the latest are left out, for a fault may have begun in them."""

HISTORY_KWH, HISTORY_STEPS = 20.0, 15.0
"""And of at least so much energy, and so many steps of the coarser register."""

DAY_ERROR, LOAD_ERROR = 0.006, 0.0022
"""Of one day by itself, and of any stretch however long: the inverter's counter is not linear."""

ERRORS, LEAST = 5.0, 0.012
NEAR, SURE = 0.5, 4.5
"""Over half of what is told nothing is said to be well; so many errors tell days after a repair from those before."""

DAY_ERRORS, DAY_LEAST = 9.0, 0.15
"""A single day must stand out further: a gap at its edge looks like a fault."""


class CleanDay(NamedTuple):
    """day: ordinal. told, made: energy by the meter, and by what it covers [Wh]. joins: may be part of the history"""

    day: int
    told_wh: float
    made_wh: float
    joins: bool


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
    since when
    """

    now: Now
    deviation: float
    days: int
    first: int


def history(days: Sequence[CleanDay], today: int, step_wh: float) -> History | None:
    """Of the clean days up to ten days ago, ascending; None where they are too few."""
    used = [one for one in days if one.joins and one.day <= today - LATEST_DAYS][-HISTORY_DAYS:]
    made = sum(one.made_wh for one in used)
    if made < 1000.0 * HISTORY_KWH or made < HISTORY_STEPS * step_wh:
        return None
    return History(sum(one.told_wh for one in used) / made, _error(made, len(used), step_wh, 0.0))


def moved(days: Sequence[CleanDay], before: History, step_wh: float) -> Moved | None:
    """How the newest clean days, ascending, differ from the history; None where they clearly do not."""
    near: Moved | None = None
    for stretch in STRETCHES:
        taken = days[-stretch:]
        found = _deviation(taken, before, step_wh) if len(taken) == stretch else None
        if found is None:
            continue
        deviation, error = found
        beyond = max(ERRORS * error, LEAST) if stretch > 1 else max(DAY_ERRORS * error, DAY_LEAST)
        if abs(deviation) > beyond:
            now = Now.RECOVERED if _recovered(taken, before, step_wh) else Now.TOLD
            return Moved(now, deviation, stretch, _since(days, before))
        if near is None and abs(deviation) > NEAR * beyond:
            near = Moved(Now.BETWEEN, deviation, stretch, days[-stretch].day)
    return near


def without(days: Sequence[CleanDay], first: int) -> list[CleanDay]:
    """The same days, from an ordinal on in no history: a fault that lasts must not become usual."""
    return [one._replace(joins=one.joins and one.day < first) for one in days]


def _deviation(days: Sequence[CleanDay], before: History, step_wh: float) -> tuple[float, float] | None:
    """Of a stretch from the history, and its error, both relative; None where nothing was made."""
    made = sum(one.made_wh for one in days)
    if made <= 0.0:
        return None
    return sum(one.told_wh for one in days) / made / before.ratio - 1.0, _error(made, len(days), step_wh, before.error)


def _recovered(days: Sequence[CleanDay], before: History, step_wh: float) -> bool:
    """Whether the newest of these days, two at least, are as before, and clearly not as the rest of them."""
    for stretch in STRETCHES[1:]:
        if stretch >= len(days):
            return False
        newest = _deviation(days[-stretch:], before, step_wh)
        rest = _deviation(days[:-stretch], before, step_wh)
        if newest is None or rest is None:
            continue
        half = abs(rest[0]) / 2.0
        if abs(newest[0]) < half and SURE * newest[1] < half:
            return True
    return False


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


def cause(ratio: float, pulses: bool, phases: int) -> str:
    """What a ratio of meter to inverter looks like, "" where it looks like nothing. phases: of the supply"""
    for factor in _FACTORS:
        if abs(ratio / factor - 1.0) < 0.015:
            return "constant-wrong"
    if phases == 3 and min(abs(ratio - 2.0 / 3.0), abs(ratio - 1.0 / 3.0)) < 0.05:
        return "phase-missing"
    if pulses:
        return "pulses-lost" if ratio < 1.0 else "pulses-doubled"
    return ""
