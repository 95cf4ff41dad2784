"""Makes a model of an inverter from the days that have settled, and decides whether it is used. Pure.

Rule: a model is held against days it has not seen before it is used. Every fifteen days each inverter gets a new
one, from healthy days that had settled by then; the one before is tried on the days since, used or not. It is used
while, over the last three months of such days, it errs less than what is expected without it by a stated margin.

A healthy day is one the level test found fine, without snow in doubt and outside every alert on the inverter. The
plant's own level is no business of a model: what it would move it by is taken off again (Model.offset), so that a level
held over the last months does not jump when a model comes, changes or goes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from watcher.align.window import Floats
from watcher.detect.level_days import Status
from watcher.domain.alert import Alert
from watcher.domain.day import DayFigure, DaySheet
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, from_ms, local_day
from watcher.domain.model import Choice, Held, Model, Trees
from watcher.domain.site import Site
from watcher.expect.expectation import Basis
from watcher.expect.learned import Lesson, correction, facts_number, fit, lesson
from watcher.expect.plateau import ceiling
from watcher.sheet import columns_of

EVERY_DAYS = 15
REACH_DAYS = 400
FEWEST_DAYS = 30
FEWEST_HOURS = 150
SLOW_DAYS = 10
"""A day's level is the median of those up to so many days from it. Measured on later days: as good as 25, and better
than taking the level of the whole time; and a loss that grows in three months is all level then."""

HELD_DAYS, FEWEST_HELD, HELD_SLOW_DAYS = 90, 12, 30
GAIN, GAIN_KEPT = 0.1, 0.05
"""Share by which its mean error on later days must be smaller, to be used and to go on being used."""

PATIENCE_DAYS = 45
"""One that was refused is tried on for so long before another is fitted: on a poor reference none may ever do."""

OUTLIER = 0.3
ANCHOR_DAYS, FADING_DAYS = 75, 60.0
"""As the level of detect/level.py, which must not notice a new model."""

SERVED = 0.9
NEAR_RATING = 0.97
"""A ceiling nearer to the rating on file is the rating."""

LEAST_OFFSET = 1e-4
NO_FAULT = frozenset({Finding.INVERTER_SILENT, Finding.SITE_RECORD_WRONG})
"""Say nothing against the output of an inverter on the days it was heard."""


@dataclass(frozen=True, slots=True)
class Healthy:
    """One healthy day of an inverter: its lesson by the basis that serves it."""

    basis: Basis
    lesson: Lesson


Digest = dict[tuple[str, date, int, float], Healthy | None]
"""By inverter, day and revision of its sheet, and the AC limit it was read under; what was read once need not be read
again. Leaving it out changes nothing.
"""


def due(point_ms: int) -> bool:
    """Whether models are made at a grid point: at one midnight UTC in fifteen."""
    return point_ms % (EVERY_DAYS * DAY_MS) == 0


def subjects(site: Site) -> tuple[str, ...]:
    return tuple(inverter.id for inverter in site.inverters if site.arrays_of(inverter.id))


def train(
    site: Site,
    subject: str,
    made_ms: int,
    sheets: Sequence[DaySheet],
    figures: Sequence[DayFigure],
    alerts: Sequence[Alert],
    before: Model | None,
    digest: Digest,
) -> Model | None:
    """The model of an inverter at a midnight UTC; None while none of its days was ever judged.

    sheets: of the days that had settled by then, ascending. figures: what the level test kept of them. alerts: all
    there were. before: the newest model made earlier
    """
    if not figures:
        return None
    facts, on_file = facts_number(site, subject), figures[-1].values["on_file"]
    today = from_ms(made_ms).date().toordinal()
    since = today - REACH_DAYS
    if before is not None:
        # Under other facts all begins anew; that they changed is seen at the latest a fortnight on.
        since = max(since, before.since if before.facts == facts else from_ms(before.made_ms).date().toordinal())
        before = before if before.facts == facts else None
    fine = {
        one.day
        for one in figures
        if one.values["on_file"] == on_file
        and one.values["status"] == Status.FINE.value
        and not one.values.get("doubtful")
        and one.day.toordinal() >= since
    } - _under_alert(site, subject, alerts, figures)
    rating_w = site.inverter(subject).ac_limit_w
    limit_w = before.limit_w if before is not None and before.limit_w else rating_w
    read = (_healthy(subject, sheet, limit_w, digest) for sheet in sheets if sheet.day in fine)
    whole = [one for one in read if one is not None]
    if not whole:
        return Model(subject, made_ms, Choice.FEW_DAYS, facts, since, int(Basis.NONE))
    basis = _commonest([one.basis for one in whole[-FEWEST_DAYS:]])
    lessons = [one.lesson for one in whole if one.basis is basis]
    if before is not None and before.basis != basis:
        before = None
    held = _held(before, lessons)
    hours = np.concatenate([one.hours for one in lessons])
    level = ceiling([one.top for one in lessons], [one.peak for one in lessons])
    found_w = round(level, 1) if level < NEAR_RATING * rating_w and site.export_limit_w is None else 0.0
    model = Model(subject, made_ms, Choice.FEW_DAYS, facts, since, int(basis), limit_w=found_w, held=held)
    if len(lessons) < FEWEST_DAYS or len(hours) < FEWEST_HOURS:
        return _anchored(model, lessons, today)
    choice = _choice(held, before)
    if choice is Choice.NO_BETTER and before is not None and today - before.last_day < PATIENCE_DAYS:
        same = ("days", "first_day", "last_day", "hours", "sun_low_deg", "sun_high_deg", "trees")
        model = replace(model, choice=choice, **{name: getattr(before, name) for name in same})
        return _anchored(model, lessons, today)
    model = replace(
        model,
        choice=choice,
        days=len(lessons),
        first_day=lessons[0].ordinal,
        last_day=lessons[-1].ordinal,
        hours=len(hours),
        sun_low_deg=round(float(hours[:, 0].min()), 1),
        sun_high_deg=round(float(hours[:, 0].max()), 1),
        trees=_trees(lessons, hours),
    )
    return _anchored(model, lessons, today)


def _healthy(subject: str, sheet: DaySheet, limit_w: float, digest: Digest) -> Healthy | None:
    key = (subject, sheet.day, sheet.revision, limit_w)
    if key not in digest:
        digest[key] = _read(subject, sheet, limit_w)
    return digest[key]


def _read(subject: str, sheet: DaySheet, limit_w: float) -> Healthy | None:
    made, applied, bound = f"{subject}.ac_power", f"{subject}.expected", f"{subject}.bound"
    found = columns_of(
        sheet, (made, applied, bound, f"{subject}.uncorrected", "sun_elevation", "sun_azimuth", "temp_air", "basis")
    )
    if not {made, applied, bound, "sun_azimuth"} <= found.keys():
        return None
    lit = np.isfinite(found[applied]) & (found["sun_elevation"] > 0.0)
    if not lit.any():
        return None
    basis = _commonest([Basis(int(one)) for one in found["basis"][lit]])
    served = found["basis"] == basis
    if basis is Basis.NONE or float(np.mean(served[lit])) < SERVED:
        return None
    own = found.get(f"{subject}.uncorrected", found[applied])
    plain = np.where(np.isfinite(own), own, found[applied])
    one = lesson(
        sheet.day.toordinal(), found[made], plain, found[applied], found[bound], found["sun_elevation"],
        found["sun_azimuth"], found["temp_air"], served, limit_w,
    )  # fmt: skip
    return None if one is None else Healthy(basis, one)


def _commonest(bases: Sequence[Basis]) -> Basis:
    return max(sorted(set(bases)), key=bases.count)


def _under_alert(site: Site, subject: str, alerts: Sequence[Alert], figures: Sequence[DayFigure]) -> set[date]:
    """Days of these figures under an alert on the inverter or a part of it, or on the reference, from its onset on."""
    mine = [
        one
        for one in alerts
        if one.finding is Finding.REFERENCE_WRONG
        or (one.subject.partition(".")[0] == subject and one.finding not in NO_FAULT)
    ]
    found: set[date] = set()
    for figure in figures if mine else ():
        begun_ms, ended_ms = local_day(figure.day, site.zone)
        for one in mine:
            if one.onset_low_ms < ended_ms and (one.cleared_ms is None or one.cleared_ms > begun_ms):
                found.add(figure.day)
    return found


def _trees(lessons: Sequence[Lesson], hours: Floats) -> Trees:
    levels = slow_levels([one.ordinal for one in lessons], [one.chain for one in lessons], SLOW_DAYS)
    return fit(hours, np.concatenate([one.ratio - level for one, level in zip(lessons, levels, strict=True)]))


def _moved(model: Model, lessons: Sequence[Lesson]) -> list[float]:
    """What a model would have added to the expectation of each day [ln]."""
    if not lessons:
        return []
    ends = np.cumsum([len(one.weight) for one in lessons])
    said = correction(model, np.concatenate([one.features for one in lessons]))
    return [one.moved(part) for one, part in zip(lessons, np.split(said, ends[:-1]), strict=True)]


def slow_levels(days: Sequence[int], logs: Sequence[float], reach_days: int) -> Floats:
    """Of each day the median of those up to so many days from it."""
    day, log = np.array(days), np.array(logs)
    near = np.abs(day[:, None] - day) <= reach_days
    return np.asarray(np.nanmedian(np.where(near, log, np.nan), axis=1))


def _held(before: Model | None, lessons: Sequence[Lesson]) -> tuple[Held, ...]:
    """The days of the model before and those it has now been tried on."""
    if before is None:
        return ()
    since = from_ms(before.made_ms).date().toordinal()
    later = [one for one in lessons if one.ordinal >= since] if before.trees.roots else []
    moved = _moved(replace(before, choice=Choice.USED), later)
    news = [
        Held(one.ordinal, round(one.chain, 5), round(one.chain - by, 5)) for one, by in zip(later, moved, strict=True)
    ]
    return tuple([*before.held, *news][-REACH_DAYS:])


def _choice(held: Sequence[Held], before: Model | None) -> Choice:
    recent = held[-HELD_DAYS:]
    if len(recent) < FEWEST_HELD:
        return Choice.UNTRIED
    chain, learned = errors(recent)
    gain = chain - learned
    used = before is not None and before.choice is Choice.USED
    # Better by the margin, and by more than chance would make it.
    least = (GAIN_KEPT if used else GAIN) * float(np.mean(chain))
    doubt = 0.0 if used else float(np.std(gain)) / np.sqrt(len(recent))
    return Choice.USED if float(np.mean(gain)) > max(least, doubt) else Choice.NO_BETTER


def errors(held: Sequence[Held]) -> tuple[Floats, Floats]:
    """How far each day lay from the level of its weeks, without and with the models [ln]."""
    days = [one.day for one in held]
    both = []
    for logs in ([one.chain for one in held], [one.learned for one in held]):
        level = slow_levels(days, logs, HELD_SLOW_DAYS)
        both.append(np.minimum(np.abs(np.array(logs) - level), OUTLIER))
    return both[0], both[1]


def _anchored(model: Model, lessons: Sequence[Lesson], today: int) -> Model:
    """The same with the offset that leaves the plant's level where it was, over the days the level is made of."""
    near = [one for one in lessons if one.ordinal >= today - ANCHOR_DAYS] or lessons[-FEWEST_DAYS:]
    weights = [np.exp((one.ordinal - today) / FADING_DAYS) for one in near]
    # What the new one would expect more than was expected then comes off.
    more = [by - one.applied for by, one in zip(_moved(replace(model, offset=0.0), near), near, strict=True)]
    offset = -float(np.average(more, weights=weights))
    return replace(model, offset=round(offset, 5) if abs(offset) >= LEAST_OFFSET else 0.0)
