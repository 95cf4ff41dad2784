"""Whether a plant has lost level: a bank of one-sided CUSUMs on its daily ratio of made to expected.

Rule: a step is a step. What a day says is weighed by how good its reference is; the level it is held against is the
plant's own of the last months, which learns neither a fault nor a repair; slow things (dirt, age, shade) are left to
those who look at years. A state is what all days up to one come to, so the next day needs nothing else.

Page 1954 (CUSUM), Huber 1964 (clipping), both from memory; measured on seeded healthy years: `python -m
tests.bench.limits`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from statistics import median
from typing import NamedTuple

BANK = (0.5, 1.0, 2.0, 4.0)
"""Sizes of loss looked for at once, in standard deviations of a day."""

CLIP = 4.0
"""One day says no more than this: days are not Gaussian, snow and fog are days too."""

LEVEL_DAYS, LATEST_DAYS, FEWEST_DAYS, FADING_DAYS = 75, 5, 15, 60.0
"""The level is of the days 5 to 75 before, the younger the more; in a dark season of the last fifteen there are."""

KEPT_DAYS = LEVEL_DAYS + LATEST_DAYS

HIGHEST = 0.1
"""No level is held above this [ln]: a plant that makes more than its equipment has a season, or an entry to be asked
about, and the end of either is no loss.
"""

REFERENCE_DAYS, WAIT_DAYS = 10, 6
"""Where clear skies tell that it is the sensor that has changed, and not the plant, nothing is told; a small loss waits
up to so many days for a clear one.
"""

AGAIN_DAYS = 14
ABOVE_DAYS = 10
"""A day far above its level does not join it; so many in a row are a level of their own."""

FACTOR = (0.7, 3.0)
LAG = (0.1, 0.35)
"""Bounds of a plant's own spread (as a share of its reference's) and of the correlation from day to day."""

CLOSING_DAYS, FADED_DAYS = 12, 10

HIGHEST_NOON_DEG, LOW_NOON_DEG, LOWEST_NOON_DEG = 90.0, 32.0, 12.0
"""Between the last two heights of the noon sun a healthy plant's level falls with it, by trees and roofs that nobody
has on file.
"""


class Ratio(NamedTuple):
    """One usable day: its ordinal, ln of made over allowed, standard deviation of that by its reference.

    doubtful: it may have been snow. joins: it belongs to the level
    clear: ln of its clear spells' ratio less that of the day by the reference; NaN where it had none
    noon_deg: the sun's greatest height
    """

    day: int
    log: float
    sigma: float
    doubtful: bool
    joins: bool = True
    clear: float = math.nan
    noon_deg: float = HIGHEST_NOON_DEG


_BY_BASIS = {"limit": "evidence", "drift": "drift", "least": "least", "forget_days": "forget_days"}
_ALIKE = {
    "fast": "fast_deviations",
    "fast_loss": "fast_loss",
    "closing": "closing_evidence",
    "again": "again_share",
    "small": "small_loss",
    "unseen": "low_sun_unseen",
    "suspect": "suspect_share",
    "above": "above_deviations",
}


@dataclass(frozen=True, slots=True)
class Reference:
    """What may be asked of a level held against such a reference.

    limit: of the evidence. drift: of a healthy level in one day's square root. least: the smallest loss worth saying
    forget_days: a slower loss is no step. may_stray: it is a sensor, which gets dirty and is cleaned
    fast, fast_loss: two days running so many deviations down, and so much [ln], need no more evidence
    closing: evidence that the level is back. again: share of the limit that reopens what closed lately
    small: a loss under this waits for a clear day where the reference may stray [ln]
    unseen: what a level may hide that has not seen a sun so low [ln], of the way from low to lowest
    suspect: share of the limit over which a day joins no level. above: deviations up from which it does not either
    """

    limit: float
    drift: float
    least: float
    forget_days: float
    fast: float
    fast_loss: float
    closing: float
    again: float
    small: float
    unseen: float
    suspect: float
    above: float
    may_stray: bool = False

    @classmethod
    def of(cls, limits: Mapping[str, float], basis: str, *, may_stray: bool = False) -> Reference:
        """From a finding's limits, which name what differs by basis after it."""
        by_basis = {name: limits[f"{place}_{basis}"] for name, place in _BY_BASIS.items()}
        return cls(**by_basis, **{name: limits[place] for name, place in _ALIKE.items()}, may_stray=may_stray)


@dataclass(frozen=True, slots=True)
class Level:
    """Of the days before one. se: standard error. age: mean age [days]. factor: own spread by the reference's

    noon_deg: the sun's greatest height, on the mean of them
    """

    log: float
    se: float
    age: float
    factor: float
    lag: float
    noon_deg: float = HIGHEST_NOON_DEG

    def error(self, drift: float) -> float:
        """Standard deviation of what the level may be now. drift: of a healthy one in one day's square root"""
        return math.hypot(self.se, drift * math.sqrt(self.age))


@dataclass(frozen=True, slots=True)
class State:
    """What the days so far come to.

    days: usable days of the last three months, the newest last. sums, since: evidence by size of loss, and the first
        day of it. before: the last day's clipped deviation. level: what the newest day was held against, None while
        there are too few. alarmed: first day of the loss that is being told, 0 where none is. loss: of it, as ln
    closed: day on which the last one ended, 0 where none did. above: days in a row far above the level
    """

    days: tuple[Ratio, ...] = ()
    sums: tuple[float, ...] = (0.0,) * len(BANK)
    since: tuple[int, ...] = (0,) * len(BANK)
    before: float = 0.0
    level: Level | None = None
    alarmed: int = 0
    loss: float = 0.0
    closed: int = 0
    above: int = 0

    @property
    def evidence(self) -> float:
        return max(self.sums)


def step(state: State, day: Ratio, reference: Reference) -> State:
    """The state after one more usable day. day.joins: whether it may belong to the level while there is none yet"""
    days = kept(state.days, day.day)
    level = state.level if state.alarmed else _level(days, day.day)
    if level is None:
        return replace(state, days=(*days, day), level=None)
    allowance = _wander(level, level.age, reference) + level.se + _unseen(level, day, reference)
    sigma = day.sigma * level.factor
    down = (level.log - day.log) / sigma
    if state.alarmed:
        return _while_told(replace(state, days=(*days, day._replace(joins=False))), level, reference)

    clipped = min(max((level.log - allowance - day.log) / sigma, -CLIP), CLIP)
    news = (clipped - level.lag * state.before) / math.sqrt(1.0 - level.lag**2)
    sums, since = [], []
    for size, total, first in zip(BANK, state.sums, state.since, strict=True):
        if first and day.day - first > reference.forget_days:
            total *= 0.9
        now = accumulated(total, size, news)
        sums.append(now)
        since.append(0 if now == 0.0 else (first or day.day))
    above = state.above + 1 if -down > reference.above else 0
    days = (*days, day._replace(joins=not above))
    best = max(range(len(BANK)), key=sums.__getitem__)
    if sums[best] > reference.suspect * reference.limit:  # nor do the days join that led to the suspicion
        days = tuple(one._replace(joins=one.joins and one.day < since[best]) for one in days)
    state = State(days, tuple(sums), tuple(since), clipped, level, closed=state.closed, above=above)
    if above >= ABOVE_DAYS:
        return State(tuple(one._replace(joins=True) for one in state.days[-ABOVE_DAYS:]), closed=state.closed)
    return _told(state, level, reference)


def _wander(level: Level, days: float, reference: Reference) -> float:
    """How far a healthy level may have moved in so many days: one that its reference fits badly moves the more [ln]."""
    return reference.drift * math.sqrt(max(level.factor, 1.0) * days)


def _unseen(level: Level, day: Ratio, reference: Reference) -> float:
    """What a level cannot know of a day whose sun stands lower than on its own days [ln]."""
    return reference.unseen * max(_lowness(day.noon_deg) - _lowness(level.noon_deg), 0.0)


def _lowness(noon_deg: float) -> float:
    return min(max((LOW_NOON_DEG - noon_deg) / (LOW_NOON_DEG - LOWEST_NOON_DEG), 0.0), 1.0)


def accumulated(total: float, size: float, news: float) -> float:
    """Page's sum for a shift of `size` standard deviations, after one more value of unit variance.

    In the units of the literature: reference value size / 2, decision interval limit / size.
    """
    return max(0.0, total + size * news - size * size / 2.0)


def kept(days: tuple[Ratio, ...], today: int) -> tuple[Ratio, ...]:
    """Days that may still be asked for: of the last three months, and as many as a level needs."""
    since = today - KEPT_DAYS
    if not days or days[0].day >= since:
        return days
    joined = [one.day for one in days if one.joins and one.day <= today - LATEST_DAYS][-FEWEST_DAYS:]
    oldest = min(joined[0] if joined else today, since)
    return tuple(one for one in days if one.day >= since or (one.joins and one.day >= oldest))


def _told(state: State, level: Level, reference: Reference) -> State:
    """The same state, alarmed where the evidence is enough."""
    newest = state.days[-1]
    last = state.days[-2:]
    if len(last) == 2 and all(
        (level.log - one.log) / (one.sigma * level.factor) > reference.fast
        and level.log - one.log > reference.fast_loss
        and not one.doubtful
        for one in last
    ):
        first = next(one.day for one in _falling(state.days, level))
        return replace(state, alarmed=first, loss=_loss(state.days, first, level))
    lately = state.closed and newest.day - state.closed <= AGAIN_DAYS
    share = reference.again if lately else 1.0
    best = max(range(len(BANK)), key=state.sums.__getitem__)
    if state.sums[best] <= share * reference.limit:
        return state
    first = state.since[best]
    of_it = [one for one in state.days if one.day >= first]
    loss = _loss(state.days, first, level)
    if len(of_it) < 2 or loss < reference.least or 2 * sum(one.doubtful for one in of_it) > len(of_it):
        return state
    if reference.may_stray:
        strayed = _strayed(state.days, first)
        if strayed is None and loss < reference.small and len(of_it) < WAIT_DAYS:
            return state
        if strayed is not None and strayed > loss / 2.0:
            # It is the reference that tells of more sun than before. What it says now is a level of its own.
            return State(tuple(one._replace(joins=True) for one in of_it), closed=state.closed)
    return replace(state, alarmed=first, loss=loss)


def _strayed(days: Sequence[Ratio], first: int) -> float | None:
    """By how much the reference says more of clear skies since a day than before it [ln]; None where they are few."""
    before = [one.clear for one in days if one.day < first and not math.isnan(one.clear)][-REFERENCE_DAYS:]
    after = [one.clear for one in days if one.day >= first and not math.isnan(one.clear)]
    if len(before) < 3 or not after:
        return None
    return median(after) - median(before)


def _while_told(state: State, level: Level, reference: Reference) -> State:
    """The same, closed where the level is seen to be what it was, or the loss has faded."""
    loss = max(state.loss, reference.least)
    recent = [one for one in state.days if one.day >= state.alarmed][-CLOSING_DAYS:]
    again = 0.0
    for one in recent:
        lost = level.log - one.log
        # Twice the log likelihood ratio of "as before" against "as low as told" is the difference of the squares.
        news = ((loss - lost) ** 2 - lost**2) / (2.0 * (one.sigma * level.factor) ** 2)
        again = max(0.0, again + min(max(news, -CLIP), CLIP))
    newest = sorted(level.log - one.log for one in recent[-3:])
    recovered = again > reference.closing and len(newest) == 3 and newest[1] < loss / 3.0
    # The older the level, the less a small loss can be told from what it would have become without one.
    told_of = state.days[-1].day - state.alarmed
    blurred = max(reference.least / 2.0, _wander(level, level.age + told_of, reference))
    faded = len(recent) >= FADED_DAYS and _mean(recent[-FADED_DAYS:], level) < blurred
    if recovered or faded:
        return State(state.days, closed=state.days[-1].day, level=level)
    held = [one for one in state.days if one.day >= state.alarmed and level.log - one.log > loss / 2.0]
    return replace(state, loss=_mean(held, level) if held else state.loss)


def _falling(days: Sequence[Ratio], level: Level) -> list[Ratio]:
    """The last days in a row that lie clearly under the level."""
    found: list[Ratio] = []
    for one in reversed(days):
        if (level.log - one.log) / (one.sigma * level.factor) <= CLIP:
            break
        found.insert(0, one)
    return found


def _loss(days: Sequence[Ratio], first: int, level: Level) -> float:
    return _mean([one for one in days if one.day >= first], level)


def _mean(days: Sequence[Ratio], level: Level) -> float:
    """How far days lie under the level on average, the surer ones counting more."""
    weights = [1.0 / one.sigma**2 for one in days]
    return sum(weight * (level.log - one.log) for weight, one in zip(weights, days, strict=True)) / sum(weights)


@lru_cache(maxsize=256)
def _level(days: tuple[Ratio, ...], today: int) -> Level | None:
    """The level of the days 5 to 75 before today; None where too few of them belong to it.

    Each day is asked of as often as the window holds it, and nearly always as it was.
    """
    used = [one for one in days if one.joins and one.day <= today - LATEST_DAYS]
    if len(used) < FEWEST_DAYS:
        return None
    young = [one for one in used if one.day >= today - LEVEL_DAYS]
    used = young if len(young) >= FEWEST_DAYS else used[-FEWEST_DAYS:]
    weights = [math.exp((one.day - today) / FADING_DAYS) / one.sigma**2 for one in used]
    middle = weighted_median([one.log for one in used], weights)
    total = sum(weights)
    age = sum(weight * (today - one.day) for weight, one in zip(weights, used, strict=True)) / total
    scores = [(one.log - middle) / one.sigma for one in used]
    spread = sorted(map(abs, scores))[len(scores) // 2] * 1.4826
    factor = min(max(spread, FACTOR[0]), FACTOR[1])
    # Effective number of days; a median is a quarter worse than a mean (common practice, no source).
    effective = total**2 / sum(weight**2 for weight in weights)
    mean_sigma = math.sqrt(len(used) / sum(1.0 / one.sigma**2 for one in used))
    noon_deg = sum(weight * one.noon_deg for weight, one in zip(weights, used, strict=True)) / total
    error = 1.25 * factor * mean_sigma / math.sqrt(effective)
    return Level(min(middle, HIGHEST), error, age, factor, _lag(scores, factor), noon_deg)


def _lag(scores: Sequence[float], factor: float) -> float:
    """Correlation from one usable day to the next, of clipped scores."""
    clipped = [min(max(score / factor, -CLIP), CLIP) for score in scores]
    square = sum(score * score for score in clipped)
    if square == 0.0:
        return LAG[0]
    product = sum(a * b for a, b in pairwise(clipped))
    return min(max(product / square, LAG[0]), LAG[1])


def weighted_median(values: Sequence[float], weights: Sequence[float]) -> float:
    """The value at which half of the weight is reached."""
    half, total = sum(weights) / 2.0, 0.0
    for value, weight in sorted(zip(values, weights, strict=True)):
        total += weight
        if total >= half:
            return value
    raise ValueError("no values")
