"""energy-imbalance: what flows into a bus and what flows out of it do not agree.

Rule: judged by settled days, where all sides are told (energy_sides.py). On the AC side energy is kept, so the sum of a
week is held against what all meters may be out by together. On the DC side, and through a battery, some of it turns
into heat: there each day's share is held against the weeks before, and more out than in is never right. What a battery
still holds is taken from its state of charge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from math import exp, isnan, log, nan
from zlib import crc32

import numpy as np

from watcher.detect import settled
from watcher.detect.energy_sides import Sides, has_ac_bus
from watcher.detect.own_history import Reach, Told, moved
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene
from watcher.detect.string_verdict import Columns
from watcher.detect.usual_days import ON_FILE, SINCE
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import local_day
from watcher.domain.site import MeterRole, Site, Storage

CODES = (
    "energy-imbalance.not-judged",
    "energy-imbalance.balanced",
    "energy-imbalance.beyond-error",
    "energy-imbalance.moved",
    "energy-imbalance.between",
    "energy-imbalance.days-too-few",
)
_BALANCED, _BEYOND, _MOVED, _BETWEEN, _TOO_FEW = 1, 2, 3, 4, 5
CAUSES = (
    (),
    ("circuit-not-metered", "meter-wrong"),
    ("source-not-metered", "meter-wrong"),
    ("conversion-loss", "reading-wrong"),
    ("battery-worn", "reading-wrong"),
    ("reading-wrong",),
)
_LESS_AC, _MORE_AC, _LESS_DC, _LESS_BATTERY, _MORE = 1, 2, 3, 4, 5

_FIGURE = ("", "missing_percent", "surplus_percent", "lost_percent", "worn_percent", "surplus_percent")

SITE, BATTERY = "site", "battery"
WEEK, FEWEST_OF_WEEK = 7, 3
CAPACITY_DAYS = 30
"""Days that say how much a battery gives for its state of charge."""

REACH = Reach(newest=4, spread=0.01)
EXPLAINERS = (Finding.METER_STALLED, Finding.METER_REVERSED, Finding.VALUES_STUCK)
"""What says by itself why a side is wrong."""


@dataclass(frozen=True, slots=True)
class _Day:
    """day: ordinal. value: ln of out over in. residual_wh: in less out. error_wh: what its sides may be out by"""

    day: int
    value: float
    residual_wh: float
    error_wh: float
    in_wh: float
    joins: bool


@dataclass(frozen=True, slots=True)
class _Said:
    code: int
    verdict: int
    since: int = 0
    cause: int = 0
    difference: float = nan


class EnergyImbalance:
    name = Finding.ENERGY_IMBALANCE

    def subjects(self, site: Site) -> tuple[str, ...]:
        stored = [one.id for one in site.inverters if one.storage is not Storage.NONE]
        stored += [meter.id for meter in site.meters if meter.role is MeterRole.BATTERY]
        return (
            *((SITE,) if has_ac_bus(site) else ()),
            *(one.id for one in site.inverters if one.storage is Storage.DC and site.arrays_of(one.id)),
            *(f"{device}.{BATTERY}" for device in stored),
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        columns, figures = Columns.of(scene.window.points), []
        asked = list(settled.settling(scene))
        if not asked:
            return columns.judgement(self.name, subject, CODES, CAUSES, 0.0)
        came = np.full(scene.window.points, nan)
        facts = float(crc32(repr((scene.site.inverters, scene.site.meters, scene.site.arrays)).encode()))
        past = [one for one in scene.past.get((self.name, subject), ()) if one.values[ON_FILE] == facts]
        kept = {one.day: one for one in past}
        for point_ms, settling in groupby(asked, key=lambda one: one.point_ms):
            newest: list[DayFigure] = []
            for one in settling:
                values = self._measured(scene, subject, one)
                if values:
                    own = {ON_FILE: facts, SINCE: 0.0, **values}
                    kept[one.day] = DayFigure(self.name, subject, one.day, one.revision, point_ms, own)
                    newest.append(kept[one.day])
            if not newest:
                continue
            days = _days(subject, [kept[day] for day in sorted(kept)])
            said = self._said(scene, subject, days)
            self._put(scene, said, days, point_ms, columns)
            at, last = scene.window.index_of(point_ms), newest[-1].values
            came[at] = last.get("in_wh", last.get("charged_wh", nan))
            columns.observed[at] = last.get("out_wh", last.get("given_wh", nan))
            for figure in newest:
                kept[figure.day] = replace(figure, values={**figure.values, SINCE: float(said.since)})
                figures.append(kept[figure.day])
        judgement = columns.judgement(self.name, subject, CODES, CAUSES, 0.0)
        return replace(judgement, expected=came, figures=figures)

    def _measured(self, scene: Scene, subject: str, one: settled.Settling) -> dict[str, float]:
        """What is kept of a day; nothing where a side is not told or another finding explains it."""
        if self._is_explained(scene, subject, one.part):
            return {}
        sides, device = Sides(scene, one), subject.partition(".")[0]
        if subject.endswith(f".{BATTERY}"):
            charged, given = sides.battery(device)
            begin, end, fell = sides.charge_state(device)
            if isnan(charged) or isnan(begin) or charged < scene.limit(self.name, "least_wh"):
                return {}
            return {"charged_wh": charged, "given_wh": given, "rose": end - begin, "fell": fell}
        balance = sides.ac_bus() if subject == SITE else sides.dc_bus(device)
        if balance is None or min(balance.in_wh, balance.out_wh) < scene.limit(self.name, "least_wh"):
            return {}
        return {"in_wh": balance.in_wh, "out_wh": balance.out_wh, "error_wh": balance.error_wh}

    def _is_explained(self, scene: Scene, subject: str, part: slice) -> bool:
        device = subject.partition(".")[0]
        for (finding, about), judgement in scene.judged.items():
            concerns = finding in EXPLAINERS and (subject == SITE or about.partition(".")[0] == device)
            if concerns and (judgement.verdict[part] == FAULT).any():
                return True
        return False

    def _said(self, scene: Scene, subject: str, days: Sequence[_Day]) -> _Said:
        limits = scene.limits[self.name]
        week = [one for one in days[-WEEK:] if not isnan(one.value)]
        residual, error = sum(one.residual_wh for one in week), sum(one.error_wh for one in week)
        beyond = abs(residual) > error if subject == SITE else residual < -error
        if len(week) >= FEWEST_OF_WEEK and error > 0.0 and beyond:
            since = week[-1].day
            for one in reversed(week):
                if one.residual_wh * residual <= 0.0 or abs(one.residual_wh) <= one.error_wh / 2.0:
                    break
                since = one.day
            less = _LESS_AC if subject == SITE else _LESS_DC
            more = _MORE_AC if subject == SITE else _MORE
            share = -residual / sum(one.in_wh for one in week)
            return _Said(_BEYOND, FAULT, since, less if residual > 0.0 else more, share)
        change = moved([Told(one.day, one.value, one.joins) for one in days], REACH)
        if change is None:
            fine = len(week) >= FEWEST_OF_WEEK and subject == SITE
            return _Said(_BALANCED, OK) if fine else _Said(_TOO_FEW, UNKNOWN)
        least = limits["least" if subject == SITE else "least_through"]
        needed = max(least, limits["errors"] * change.error)
        if abs(change.by) >= needed:
            less = {SITE: _LESS_AC}.get(subject, _LESS_BATTERY if subject.endswith(BATTERY) else _LESS_DC)
            more = _MORE_AC if subject == SITE else _MORE
            cause = less if change.by < 0.0 else more
            return _Said(_MOVED, FAULT, change.since, cause, exp(change.was + change.by) - exp(change.was))
        if abs(change.by) < limits["near_share"] * needed:
            return _Said(_BALANCED, OK)
        return _Said(_BETWEEN, UNKNOWN)

    def _put(self, scene: Scene, said: _Said, days: Sequence[_Day], point_ms: int, columns: Columns) -> None:
        at, last = scene.window.index_of(point_ms), days[-1]
        columns.verdict[at], columns.code[at] = said.verdict, said.code
        columns.units[at] = int(said.verdict != UNKNOWN)
        if said.verdict != FAULT:
            return
        begun_ms, ended_ms = local_day(date.fromordinal(said.since), scene.site.zone)
        columns.put_fault(at, (begun_ms, begun_ms - REACH.newest * (ended_ms - begun_ms), ended_ms), {}, frozenset())
        columns.cause[at] = said.cause
        columns.facts[at] = {
            "in_kwh": round(last.in_wh / 1000.0, 2),
            "out_kwh": round((last.in_wh - last.residual_wh) / 1000.0, 2),
            _FIGURE[said.cause]: round(100.0 * abs(said.difference), 1),
            "days": float(last.day - said.since + 1),
        }


def _days(subject: str, figures: Sequence[DayFigure]) -> list[_Day]:
    """The newest days, ascending; of days that were in question none says what is usual."""
    found: list[_Day] = []
    joining = 0
    given = sum(one.values.get("given_wh", 0.0) for one in figures[-CAPACITY_DAYS:])
    fell = sum(one.values.get("fell", 0.0) for one in figures[-CAPACITY_DAYS:])
    capacity_wh = given / fell if fell > 0.5 else nan
    since = None  # the earliest day that this one or any later puts in question
    for one in reversed(figures):
        values = one.values
        if values[SINCE]:
            since = min(int(values[SINCE]), since or int(values[SINCE]))
        if subject.endswith(f".{BATTERY}"):
            came, went, error = values["charged_wh"], values["given_wh"] + capacity_wh * values["rose"], 0.0
        else:
            came, went, error = values["in_wh"], values["out_wh"], values["error_wh"]
        day = one.day.toordinal()
        value = log(went / came) if came > 0.0 and went > 0.0 else nan
        found.append(_Day(day, value, came - went, error, came, since is None or day < since))
        joining += found[-1].joins and not isnan(value)
        if joining > REACH.before + 2 * REACH.newest:  # what lies further back is not asked for
            break
    return found[::-1]
