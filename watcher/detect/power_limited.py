"""power-limited: an inverter gives less than light and rating allow: something holds it back that is not on file.

Told after two such days of fourteen. Where it has given more on other days, a flat level is a limiter or a setting; a
hot heat sink, or mains that stands high, says why by itself. Output that wanders under panels at high voltage follows
something we are not told of, and the trade is asked what. A ceiling that was always there is the plant's, and asked
about only where the inverter itself speaks of a limit. It stands until days have shown that it is over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from math import isnan, nan
from statistics import median
from zlib import crc32

import numpy as np

from watcher.align.window import Floats
from watcher.detect import settled
from watcher.detect.held_output import Held, held_on
from watcher.detect.scene import FAULT, OK, Judgement, Scene
from watcher.detect.string_verdict import Columns
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day
from watcher.domain.site import Site

CODES = (
    "power-limited.not-judged",
    "power-limited.free",
    "power-limited.held-back",
    "explained.export-limit",
)
_FREE, _HELD, _ASKED = 1, 2, 3
CAUSES = (
    (),
    ("heat",),
    ("supply-voltage-high",),
    ("limiter-fail-safe",),
    ("limiter-fail-safe", "setting-changed", "inverter-stage-out"),
    ("limit-unknown",),
    ("heat", "limit-unknown"),
)
_HEAT, _MAINS, _LIMITER, _FIXED, _ASK, _ASK_OR_HEAT = range(1, 7)


POINTS_DAYS = 60
"""Points of a window belong to days at most this far back: a day may settle again for so long."""


@dataclass(slots=True)
class _Story:
    """The days of an inverter in a row. shown: those that tell, newest last. since: ordinal, 0 where nothing is told"""

    since: int = 0
    shown: list[DayFigure] = field(default_factory=list)
    fine: int = 0


class PowerLimited:
    name = Finding.POWER_LIMITED

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters if site.arrays_of(inverter.id))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        site, columns = scene.site, Columns.of(scene.window.points)
        on_file = (site.inverter(subject), site.arrays_of(subject), site.export_limit_w)
        facts = float(crc32(repr(on_file).encode()))
        past = [one for one in scene.past.get((self.name, subject), ()) if one.values["on_file"] == facts]
        self._said_before(scene, past, columns)
        asked = list(settled.settling(scene))
        if not asked:
            return columns.judgement(self.name, subject, CODES, CAUSES, 0.0)
        kept = {one.day: one for one in past}
        could = np.full(scene.window.points, nan)
        figures: list[DayFigure] = []
        for point_ms, settling in groupby(asked, key=lambda one: one.point_ms):
            newest: list[DayFigure] = []
            for one in settling:
                found = held_on(scene, subject, one, self.name)
                if found is not None:
                    values = {"on_file": facts, **_values(found)}
                    kept[one.day] = DayFigure(self.name, subject, one.day, one.revision, point_ms, values)
                    newest.append(kept[one.day])
            if newest:
                said = self._put(scene, [kept[day] for day in sorted(kept)], newest, columns, could)
                newest[-1] = replace(newest[-1], values={**newest[-1].values, **said})
                kept[newest[-1].day] = newest[-1]
                figures += newest
        judgement = columns.judgement(self.name, subject, CODES, CAUSES, scene.limit(self.name, "loss_share"))
        whole = columns.loss + columns.arrears  # reckoned anew at each point: sunshine may come late
        return replace(judgement, expected=could, figures=figures, lost_mwh=whole)

    def _put(
        self, scene: Scene, days: Sequence[DayFigure], newest: Sequence[DayFigure], columns: Columns, could: Floats
    ) -> dict[str, float]:
        """What a point says at which some days settle, and what of that is kept.

        newest: those days, the last of them the one it is about
        """
        own = newest[-1]
        at, values = scene.window.index_of(own.settled_ms), own.values
        story = self._story(scene, days)
        if "asked_wh" in values:  # what a limit on file held back is no loss, and is kept apart
            columns.code[at], columns.observed[at], could[at] = _ASKED, 0.0, values["asked_wh"]
        if not story.since:
            if "minutes" not in values:
                columns.verdict[at], columns.units[at] = OK, 1
                columns.code[at] = columns.code[at] or _FREE
                return {"well": 1.0}
            return {}
        since = [one for one in days if one.day.toordinal() >= story.since]
        lost = {one.day.toordinal(): float(round(one.values.get("lost_wh", 0.0) * 1000.0)) for one in since}
        onset = self._onset(scene, days, story)
        columns.put_fault(at, onset, lost, frozenset(one.day.toordinal() for one in newest if one.revision == 1))
        columns.code[at], columns.units[at] = _HELD, int(any(one.day == story.shown[-1].day for one in newest))
        columns.observed[at], could[at] = nan, nan
        columns.cause[at] = self._cause(scene, days, story.shown)
        columns.facts[at] = _facts(story.shown, scene.site.inverter(own.subject).ac_limit_w, int(columns.cause[at]))
        return {"told": 1.0, "onset_ms": float(onset[0])}

    def _story(self, scene: Scene, days: Sequence[DayFigure]) -> _Story:
        """What the days come to, the last of them included."""
        story = _Story()
        if not any("minutes" in one.values for one in days):
            return story
        limits = scene.limits[self.name]
        peaks = np.array([one.values["peak_w"] for one in days])
        for one in days:
            held = one.values.get("minutes", 0.0)
            if held >= limits["minutes"]:
                if self._more_days(limits, peaks, one) or one.values.get("said", 0.0) > 0.5:
                    self._add(limits, story, one)
                continue
            if story.shown and held == 0.0 and self._is_fine(limits, one, story):
                story.fine += 1
                flat = "flat" in story.shown[-1].values
                if story.fine >= limits["fine_days" if flat else "fine_days_asked"]:
                    story = _Story()
        return story

    def _add(self, limits: Mapping[str, float], story: _Story, one: DayFigure) -> None:
        """A day that shows it. Where nothing but its flat top says so, only days with the same one stand beside it."""
        if story.since:
            if _is_alike(limits, story.shown[-1], one):
                story.shown, story.fine = [*story.shown, one], 0
            return
        recent = one.day.toordinal() - limits["within_days"]
        lately = [other for other in story.shown if other.day.toordinal() > recent]
        same = [other for other in lately if _is_alike(limits, other, one)]
        story.shown, story.fine = [*lately, one], 0
        if len(same) + 1 >= limits["days"]:
            story.shown = [*same, one]
            story.since = story.shown[0].day.toordinal()

    def _more_days(self, limits: Mapping[str, float], peaks: Floats, one: DayFigure) -> bool:
        """Whether it has given clearly more on other days than it was held at."""
        return int(np.count_nonzero(peaks >= limits["passed"] * one.values["level_w"])) >= limits["passed_days"]

    def _is_fine(self, limits: Mapping[str, float], one: DayFigure, story: _Story) -> bool:
        """Whether a day would have shown it: output went well over the level it was held at."""
        level_w = max(x.values["level_w"] for x in story.shown[-3:])
        return one.values["peak_w"] >= limits["passed"] * level_w

    def _onset(self, scene: Scene, days: Sequence[DayFigure], story: _Story) -> tuple[int, int, int]:
        first = story.shown[0]
        start_ms = local_day(first.day, scene.site.zone)[0]
        onset_ms = start_ms + int(first.values.get("first", 0.0)) * GRID_MS
        passed = scene.limit(self.name, "passed") * first.values["level_w"]
        free = [one.day for one in days if one.day < first.day and one.values["peak_w"] >= passed]
        low_ms = local_day(free[-1], scene.site.zone)[1] if free else onset_ms
        return onset_ms, min(low_ms, onset_ms - GRID_MS), onset_ms + GRID_MS

    def _cause(self, scene: Scene, days: Sequence[DayFigure], shown: Sequence[DayFigure]) -> int:
        peaks = np.array([one.values["peak_w"] for one in days])
        if not any(self._more_days(scene.limits[self.name], peaks, one) for one in shown):
            return _ASK  # it may always have been so
        lately = shown[-int(scene.limit(self.name, "within_days")) :]
        if _middle(lately, "heat_degc") >= scene.limit(self.name, "hot_degc"):
            return _HEAT
        if _middle(lately, "mains_v") >= scene.limit(self.name, "high_v"):
            return _MAINS
        levels = [one.values["level_w"] for one in lately]
        flat = 2 * sum("flat" in one.values for one in lately) > len(lately)
        if flat and max(levels) <= (1.0 + scene.limit(self.name, "same_level")) * min(levels):
            return _LIMITER if scene.site.export_limit_w is not None else _FIXED
        if isnan(_middle(lately, "heat_degc")) and not any("raised" in one.values for one in lately):
            return _ASK_OR_HEAT
        return _ASK

    def _said_before(self, scene: Scene, past: Sequence[DayFigure], columns: Columns) -> None:
        """What points of the window said that are not asked for again: who looks back on their days must find it."""
        asked_ms = scene.window.start_ms + scene.asked_from * GRID_MS
        for one in past[-POINTS_DAYS:]:
            if not scene.window.start_ms < one.settled_ms <= asked_ms:
                continue
            at = scene.window.index_of(one.settled_ms)
            if "well" in one.values:
                columns.verdict[at], columns.code[at], columns.units[at] = OK, _FREE, 1
            elif "told" in one.values:
                onset_ms = int(one.values["onset_ms"])
                columns.verdict[at], columns.code[at] = FAULT, _HELD
                columns.onset[at], columns.onset_low[at], columns.onset_high[at] = onset_ms, onset_ms, onset_ms


def _is_alike(limits: Mapping[str, float], one: DayFigure, other: DayFigure) -> bool:
    """Whether two days may show the same: flat tops without any other sign must stand at one level."""
    if any("said" in day.values or "raised" in day.values for day in (one, other)):
        return True
    low, high = sorted((one.values["level_w"], other.values["level_w"]))
    return high <= (1.0 + limits["same_level"]) * low


def _values(found: Held) -> dict[str, float]:
    """What is kept of a day; what is 0 or cannot be told is left out."""
    values = {
        "minutes": found.minutes,
        "first": float(found.first),
        "level_w": found.level_w,
        "flat": float(found.flat),
        "asked_wh": found.asked_mwh / 1000.0,
        "heat_degc": found.heat_degc,
        "mains_v": found.mains_v,
        "said": found.said,
        "raised": found.raised,
        "lost_wh": found.lost_mwh / 1000.0,
    }
    return {"peak_w": found.peak_w} | {name: value for name, value in values.items() if value and not isnan(value)}


def _middle(days: Sequence[DayFigure], name: str) -> float:
    found = [one.values[name] for one in days if name in one.values]
    return median(found) if found else nan


def _facts(shown: Sequence[DayFigure], limit_w: float, cause: int) -> Mapping[str, str | float]:
    last = shown[-1].values
    told: dict[str, str | float] = {
        "days": float(len(shown)),
        "level_kw": round(last["level_w"] / 1000.0, 2),
        "rating_kw": round(limit_w / 1000.0, 2),
        "held_hours": round(sum(one.values["minutes"] for one in shown) / 60.0, 1),
    }
    if cause == _FIXED:
        told["flat_kw"] = told["level_kw"]
    if (raised := _middle(shown, "raised")) > 0.0:
        told["raised_percent"] = round(100.0 * raised)
    if "heat_degc" in last:
        told["heat_degc"] = round(_middle(shown, "heat_degc"), 1)
    return told
