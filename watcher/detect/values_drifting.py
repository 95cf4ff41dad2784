"""values-drifting: what an inverter reads at an input wanders off from what it gives, or from voltage times current.

Rule: a reading is held against others that must agree with it, day by day, and that against the days before: AC power
against what the part-load curve makes of all inputs (a battery's share counted in), and power against voltage times
current. Where there are several inputs, the one is named whose share beside the others moved as the difference asks
for; else nothing is said. No power is lost by it, so nobody at home is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from math import exp, isnan, log, log1p, nan
from typing import Self
from zlib import crc32

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.detect import settled
from watcher.detect.energy_sides import Sides
from watcher.detect.own_history import Moved, Reach, Told, moved
from watcher.detect.scene import OK, Judgement, Scene, unknown
from watcher.detect.string_verdict import Columns
from watcher.detect.usual_days import ON_FILE, SINCE, remembered, without
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import local_day
from watcher.domain.site import Site, Storage
from watcher.expect.plant import inverter_ac

CODES = ("values-drifting.not-judged", "values-drifting.agrees", "values-drifting.apart", "values-drifting.between")
_AGREES, _APART, _BETWEEN = 1, 2, 3
CAUSES = (("dc-sensor",), ("dc-sensor", "ac-reading", "conversion-loss"))

FEWEST = 12
"""Intervals of an hour; fewer tell nothing of a day."""

REACH = Reach(newest=5, spread=0.003)
ENOUGH = 2 * (REACH.before + 2 * REACH.newest)
"""Days that are asked for: every other one may tell nothing."""

LIT = 0.1
UNDER_LIMIT = 0.94
"""Of the rating: between the two, what an inverter gives follows from what it gets."""


@dataclass(frozen=True, slots=True)
class _Day:
    """day: ordinal. balance: ln of AC given over what the curve makes of DC; product: ln of voltage times current over
    power; beside: ln of made over expected less that of the other inputs. NaN where it cannot be told
    """

    day: int
    balance: float
    product: float
    beside: float
    joins: bool = True

    def apart(self) -> Self:
        return replace(self, joins=False)


class ValuesDrifting:
    name = Finding.VALUES_DRIFTING

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(name for inverter in site.inverters for name in site.inputs_of(inverter.id))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        if scene.window.gauge(f"{subject}.dc_power") is None:
            return unknown(scene, self.name, subject, CODES[0])
        columns, figures = Columns.of(scene.window.points), []
        asked = list(settled.settling(scene))
        if not asked:
            return columns.judgement(self.name, subject, CODES, CAUSES, 0.0)
        inverter = subject.partition(".")[0]
        facts = float(crc32(repr((scene.site.inverter(inverter), scene.site.arrays_of(inverter))).encode()))
        days = {one.day: one for one in remembered(scene.past.get((self.name, subject), ()), facts, _of_figure, ENOUGH)}
        for point_ms, settling in groupby(asked, key=lambda one: one.point_ms):
            newest = []
            for one in settling:
                found = _measured(scene, subject, one)
                if found is not None:
                    days[found.day] = found
                    newest.append((one, found))
            if not newest:
                continue
            since = self._put(scene, subject, [days[day] for day in sorted(days)], point_ms, columns)
            if since:
                days = {one.day: one for one in without(list(days.values()), since)}
            for one, found in newest:
                values = {"balance": found.balance, "product": found.product, "beside": found.beside}
                told = {name: value for name, value in values.items() if not isnan(value)}
                kept = {ON_FILE: facts, SINCE: float(since), **told}
                figures.append(DayFigure(self.name, subject, one.day, one.revision, point_ms, kept))
        judgement = columns.judgement(self.name, subject, CODES, CAUSES, 0.0)
        return replace(judgement, figures=figures)

    def _put(self, scene: Scene, subject: str, days: Sequence[_Day], point_ms: int, columns: Columns) -> int:
        """What a point says; the ordinal of the day since when days are in question, 0 for none."""
        at = scene.window.index_of(point_ms)
        least, errors = scene.limit(self.name, "least"), scene.limit(self.name, "errors")
        found = {name: _moved(days, name) for name in ("balance", "product")}
        seen = {name: one for name, one in found.items() if one is not None}
        if not seen:
            return 0
        # Where the input has left the others clearly, the balance need only say whether it is the reading.
        beside = _moved(days, "beside", fewest=3)
        left = beside is not None and abs(beside.by) >= max(2.0 * least, errors * beside.error)
        needed = {name: max(least, errors * one.error) for name, one in seen.items()}
        if left and "balance" in seen:
            needed["balance"] = max(least, scene.limit(self.name, "errors_beside") * seen["balance"].error)
        apart = {name: one for name, one in seen.items() if abs(one.by) >= needed[name]}
        if not apart:
            near = scene.limit(self.name, "near_share")
            fine = all(abs(one.by) < near * needed[name] for name, one in seen.items())
            columns.verdict[at], columns.code[at] = (OK, _AGREES) if fine else (0, _BETWEEN)
            columns.units[at] = int(fine)
            return 0
        since = min(one.since for one in apart.values())
        drift, cause = self._drift(scene, subject, beside, apart)
        if isnan(drift):
            columns.code[at] = _BETWEEN
            return since
        begun_ms, ended_ms = local_day(date.fromordinal(since), scene.site.zone)
        columns.put_fault(at, (begun_ms, begun_ms - REACH.newest * (ended_ms - begun_ms), ended_ms), {}, frozenset())
        columns.code[at], columns.cause[at], columns.units[at] = _APART, cause, 1
        columns.facts[at] = {
            "input_number": subject.rpartition("-")[2],
            "difference_percent": round(100.0 * (exp(drift) - 1.0), 1),
            "days": float(days[-1].day - since + 1),
        }
        return since

    def _drift(self, scene: Scene, subject: str, beside: Moved | None, apart: Mapping[str, Moved]) -> tuple[float, int]:
        """By how much the input's reading has moved [ln], NaN where that is not shown; and the place of its cause."""
        if "product" in apart:
            return apart["product"].by, 0
        site = scene.site
        arrays = site.arrays_of(subject.partition(".")[0])
        share = sum(one.peak_power_w for one in site.arrays_at(subject)) / sum(one.peak_power_w for one in arrays)
        change = (exp(-apart["balance"].by) - 1.0) / share  # of this input's reading, if it is the one
        if change <= -1.0:
            return nan, 0
        drift = log1p(change)
        if len(site.inputs_of(subject.partition(".")[0])) == 1:
            return drift, 1
        if beside is None or abs(beside.by - drift) > scene.limit(self.name, "beside_share") * abs(drift):
            return nan, 0
        return drift, 0


def _moved(days: Sequence[_Day], name: str, fewest: int = 0) -> Moved | None:
    return moved([Told(one.day, getattr(one, name), one.joins) for one in days], REACH, fewest)


def _of_figure(figure: DayFigure) -> _Day:
    balance, product, beside = (figure.values.get(name, nan) for name in ("balance", "product", "beside"))
    return _Day(figure.day.toordinal(), balance, product, beside)


def _measured(scene: Scene, subject: str, one: settled.Settling) -> _Day | None:
    """What is known of a day at its settling point; None where the input was not heard."""
    part, site, inverter = one.part, scene.site, subject.partition(".")[0]

    def column(channel: str) -> Floats:
        gauge = scene.window.gauge(channel)
        if gauge is None:
            return np.full(part.stop - part.start, nan)
        return np.where(gauge.known_ms[part] <= one.point_ms, gauge.value[part], nan)

    own = column(f"{subject}.dc_power")
    peak_w = sum(array.peak_power_w for array in site.arrays_at(subject))
    lit = own > LIT * peak_w
    if np.count_nonzero(lit) < FEWEST:
        return None
    others = [name for name in site.inputs_of(inverter) if name != subject]
    beside = [column(f"{name}.dc_power") for name in others]
    product = _ratio(column(f"{subject}.dc_voltage") * column(f"{subject}.dc_current"), own, lit)
    balance, facts = nan, site.inverter(inverter)
    if facts.storage is Storage.DC:
        balance = Sides(scene, one).dc_share(inverter)
    elif all(array.unit_limit_w is None for array in site.arrays_of(inverter)):
        dc, ac = np.sum([own, *beside], axis=0), column(f"{inverter}.ac_power")
        between = (ac > LIT * facts.ac_limit_w) & (ac < UNDER_LIMIT * facts.ac_limit_w)
        curve = inverter_ac(np.nan_to_num(dc), facts.ac_limit_w)
        balance = _ratio(ac, np.where(np.isnan(dc), nan, curve), between & (curve < 0.999 * facts.ac_limit_w))
    return _Day(one.day.toordinal(), balance, product, _beside(scene, subject, others, own, beside, one))


def _beside(
    scene: Scene,
    subject: str,
    others: Sequence[str],
    own: Floats,
    beside: Sequence[Floats],
    one: settled.Settling,
) -> float:
    by_subject = scene.expected.by_subject
    if not others or any(name not in by_subject for name in (subject, *others)):
        return nan
    known = scene.expected.known_ms[one.part] <= one.point_ms
    due = [np.where(known, by_subject[name].expected[one.part], nan) for name in (subject, *others)]
    where = np.logical_and.reduce([made > LIT * np.nanmax(made, initial=0.0) for made in (own, *beside)])
    first = _ratio(own, due[0], where)
    return first - _ratio(np.sum(beside, axis=0), np.sum(due[1:], axis=0), where)


def _ratio(above: Floats, below: Floats, where: Bools) -> float:
    """ln of two sums over the intervals that both tell; NaN where those are too few."""
    both = where & np.isfinite(above) & np.isfinite(below)
    if np.count_nonzero(both) < FEWEST:
        return nan
    over, under = float(above[both].sum()), float(below[both].sum())
    return log(over / under) if over > 0.0 and under > 0.0 else nan
