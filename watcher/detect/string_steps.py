"""What the days of an input come to: whether it has lost power or voltage, since when, and what that is to be called.

Rule: two tests look for a step: evidence on the contrast of power (level.py) and voltage against its own ten days
before. What they find is no fault of a string where it comes from one direction (shade), from the instrument, or from
others that make more than before. An input beside one that is told to have a fault is left alone: it goes on as it was.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from enum import IntEnum
from math import exp, isnan, nan, sqrt
from statistics import median
from typing import NamedTuple

from watcher.detect.contrast import InputDay, Strings
from watcher.detect.level import Ratio, Reference, State, step
from watcher.detect.scene import Scene
from watcher.domain.finding import Finding

BEFORE_DAYS, FEWEST_BEFORE = 10, 7
AFTER_DAYS = (2, 3, 6)
"""A step of voltage is sought between the ten days before and the two, three or six after; a few must be surer."""

MODULE_PARTS = 3.3
"""Up to a module, with what three of its thirds may be read as."""

SPREAD_BESIDE, SPREAD_ALONE = 0.004, 0.009
"""No spread of daily voltages is taken for less: beside another input, and alone with the air's temperature removed."""

FEWEST_YOUNG, YOUNG_DEVIATIONS = 4, 5.0
"""Days that must lie before a loss of an input without a level, and by how many deviations each of two falls short."""

LEAST_LIGHT_H = 0.3
"""Darker days tell nothing of power [hours of full power]."""


class Kind(IntEnum):
    """What is said of an input. The numbers stand in the ledger."""

    NOTHING = 0
    PARALLEL = 1
    LOW_CURRENT = 2
    LOW_VOLTAGE = 3
    MODULE = 4


class Condition(NamedTuple):
    """What an input's days so far come to. since: first day of what is told. loss: of power [ln]. drop: of voltage [ln]

    volts: what voltage was before, NaN where it is not voltage that fell. level: what the contrast was before, where
        there was no level yet to hold it against; else NaN
    """

    kind: Kind = Kind.NOTHING
    since: int = 0
    loss: float = 0.0
    drop: float = 0.0
    volts: float = nan
    level: float = nan


@dataclass(frozen=True, slots=True)
class After:
    """An input after a day. state: of its level; None where it still stands in the figures of the day"""

    day: InputDay
    condition: Condition
    state: State | None


class Limits(NamedTuple):
    """What the walk asks of the policy."""

    alike: Reference
    apart: Reference
    alone: Reference
    substring_share: float
    deviations: float
    snow_below_degc: float

    @classmethod
    def of(cls, scene: Scene) -> Limits:
        def reference(drift: float, least: float) -> Reference:
            evidence = scene.limit(Finding.STRING_LOW_CURRENT, "evidence")
            forget_days = scene.limit(Finding.STRING_LOW_CURRENT, "forget_days")
            # What is alike on every basis holds for a contrast, too.
            alike = Reference.of(scene.limits[Finding.OUTPUT_LOW], "measured")
            return replace(alike, limit=evidence, drift=drift, least=least, forget_days=forget_days)

        return cls(
            reference(
                scene.limit(Finding.STRING_LOW_CURRENT, "drift_alike"),
                scene.limit(Finding.STRING_LOW_CURRENT, "least_alike"),
            ),
            reference(
                scene.limit(Finding.STRING_LOW_CURRENT, "drift_apart"),
                scene.limit(Finding.STRING_LOW_CURRENT, "least_apart"),
            ),
            reference(
                scene.limit(Finding.STRING_LOW_CURRENT, "drift_alone"),
                scene.limit(Finding.STRING_LOW_CURRENT, "least_alone"),
            ),
            scene.limit(Finding.MODULE_LOST, "substring_share"),
            scene.limit(Finding.MODULE_LOST, "deviations"),
            scene.limit(Finding.STRING_LOW_CURRENT, "snow_below_degc"),
        )

    def reference(self, one: Strings) -> Reference:
        return self.alike if one.alike else self.apart if one.others else self.alone


def after(
    before: After | None, days: Sequence[InputDay], ill: Set[int], one: Strings, held: bool, limits: Limits
) -> After:
    """An input after one more day, the last of these.

    ill: ordinals of those on which it was told to have a fault. held: what it is compared with is told to have one
    """
    today = days[-1]
    condition = before.condition if before is not None else Condition()
    state = (before.state if before is not None else None) or State()
    if held and condition.kind is Kind.NOTHING:
        return After(today, condition, state)
    told_young = not isnan(condition.level)
    if not isnan(today.log) and today.light >= LEAST_LIGHT_H and not told_young:
        ratio = Ratio(today.day, today.log, today.sigma, bool(today.cold))
        state = step(state, ratio, limits.reference(one))
    if condition.kind is not Kind.NOTHING:
        if told_young:
            ended = _back(condition.level, condition.loss, [day.log for day in days])
        elif not isnan(condition.volts) and not state.alarmed:
            ended = _back(condition.volts, condition.drop, [day.volts for day in days])
        else:
            ended = not state.alarmed
        if ended:
            condition = Condition()
        elif state.alarmed:
            condition = condition._replace(loss=state.loss)
        return After(today, condition, state)
    if state.alarmed:
        condition = _named(days, state.alarmed, one)
        if condition.kind is Kind.NOTHING:  # not a string's: what it makes now is a level of its own
            own = tuple(day._replace(joins=True) for day in state.days if day.day >= state.alarmed)
            state = State(own, closed=state.closed)
    elif state.level is None:
        condition = _young(days, one, limits)
    if condition.kind is Kind.NOTHING:
        # A repair brings voltage back, and with more current it is lower than it was: that is no new fall.
        condition = _volts_fell([day for day in days if day.day not in ill], one, limits)
    return After(today, condition, state)


def _back(was: float, fall: float, values: Sequence[float]) -> bool:
    """Whether the last three days on which it was seen lie near what a measure was before it fell."""
    last = [value for value in values if not isnan(value)][-3:]
    return len(last) == 3 and min(last) > was - 0.4 * fall


def _young(days: Sequence[InputDay], one: Strings, limits: Limits) -> Condition:
    """A great loss on two days running of an input that has no level yet: against the few days there are."""
    told = [day for day in days if not isnan(day.log) and day.light >= LEAST_LIGHT_H and not day.cold]
    before, since = told[:-2], told[-2:]
    if len(before) < FEWEST_YOUNG:
        return Condition()
    was = median(day.log for day in before)
    least = max(YOUNG_DEVIATIONS * max(day.sigma for day in since), 2.0 * limits.reference(one).least)
    if max(day.log for day in since) > was - least:
        return Condition()
    return _named(days, since[0].day, one)._replace(level=was)


def _named(days: Sequence[InputDay], first: int, one: Strings) -> Condition:
    """What a loss of power is that is seen since a day; nothing where it is not this input's."""
    told = [day for day in days if not isnan(day.log)]
    before = [day for day in told if day.day < first][-20:]
    since = [day for day in told if day.day >= first]
    whole = since[1:] if len(since) > 2 else since  # on the first it may have begun at noon
    if len(before) < 3 or not whole:
        return Condition()
    loss = median(day.log for day in before) - median(day.log for day in whole)
    if loss <= 0.0 or _by_direction(before, whole, loss) or _by_instrument(before, whole, loss, one.share):
        return Condition()
    if one.others and _others_rose(before, whole, loss):
        return Condition()
    drop = _change(before, whole, "volts")
    common = Condition(since=first, loss=loss)
    if not isnan(drop) and drop > 0.5 * loss:
        volts = median(day.volts for day in before if not isnan(day.volts))
        return common._replace(kind=_kind_of_drop(drop, one), drop=drop, volts=volts)
    if one.strings > 1 and abs(exp(-loss) - (one.strings - 1) / one.strings) < 0.35 / one.strings:
        return common._replace(kind=Kind.PARALLEL)
    return common._replace(kind=Kind.LOW_CURRENT)


def _change(before: Sequence[InputDay], since: Sequence[InputDay], name: str) -> float:
    """By how much a measure has fallen; NaN where it was not seen before and since."""
    was = [value for day in before if not isnan(value := getattr(day, name))]
    now = [value for day in since if not isnan(value := getattr(day, name))]
    return median(was) - median(now) if len(was) >= 3 and now else nan


def _by_direction(before: Sequence[InputDay], since: Sequence[InputDay], loss: float) -> bool:
    """Whether a third of the day's light shows next to nothing of the loss: that is shade, not a fault."""
    parts = [_change(before, since, name) for name in ("first", "middle", "last")]
    seen = [part for part in parts if not isnan(part)]
    return len(seen) == 3 and min(seen) < 0.35 * loss


def _by_instrument(before: Sequence[InputDay], since: Sequence[InputDay], loss: float, share: float) -> bool:
    """Whether what the inverter gives and what its inputs read no longer agree: then it is a reading that went."""
    moved = abs(_change(before, since, "balance"))
    return not isnan(moved) and moved > 0.5 * share * (1.0 - exp(-loss))


def _others_rose(before: Sequence[InputDay], since: Sequence[InputDay], loss: float) -> bool:
    """Whether it is the others that make more than before, as far as the reference can tell."""
    own = _change(before, since, "own")
    if isnan(own):
        return False
    sigmas = [day.own_sigma for day in (*before, *since) if not isnan(day.own_sigma)]
    error = 1.25 * sum(sigmas) / len(sigmas) * sqrt(1.0 / len(before) + 1.0 / len(since))
    return loss - own - 1.5 * error > 0.6 * loss


def substrings(drop: float, one: Strings) -> float:
    """How many thirds of a module a fall of voltage comes to [1]; infinite where nobody knows how many there are."""
    return (1.0 - exp(-drop)) * 3.0 * one.modules if one.modules else float("inf")


def _kind_of_drop(drop: float, one: Strings) -> Kind:
    return Kind.MODULE if substrings(drop, one) <= MODULE_PARTS else Kind.LOW_VOLTAGE


def _volts_fell(days: Sequence[InputDay], one: Strings, limits: Limits) -> Condition:
    """A step of voltage that is worth a part of a module."""
    if one.modules is None or isnan(days[-1].volts) or (days[-1].airless and not one.others):
        return Condition()
    # Warm days follow cool ones for a week: a string alone, with no word of the air, looks as if cells came and went.
    seen = [day for day in days if not isnan(day.volts) and (one.others or not day.airless)]
    for count in AFTER_DAYS:
        before, since = seen[-count - BEFORE_DAYS : -count], seen[-count:]
        if len(before) < FEWEST_BEFORE:
            break
        was = median(day.volts for day in before)
        drop = was - median(day.volts for day in since)
        spread = 1.4826 * median(abs(day.volts - was) for day in before)
        spread = max(spread, SPREAD_BESIDE if one.others else SPREAD_ALONE)
        surer = 1.0 if count == AFTER_DAYS[-1] else 1.3
        least = surer * limits.substring_share / (3.0 * one.modules)
        error = 1.25 * spread * sqrt(1.0 / len(before) + 1.0 / count)
        if drop < max(least, limits.deviations * error) or max(day.volts for day in since) > was - 0.5 * drop:
            continue
        own = _change(before, since, "own_volts")
        power = _change(before, since, "log")
        if one.others and own < 0.4 * drop:
            continue  # the others' has risen
        if one.alike and power < 0.3 * drop:
            continue  # and it makes as much as ever: the reading wanders
        return Condition(_kind_of_drop(drop, one), since[0].day, drop, drop, was)
    return Condition()
