"""reference-wrong: a sensor or a weather service says more or less of the sun than before, and the plant says not.

Rule: the plant's own clear spells are the witness. Where its power runs so smoothly that only a clear sky can be over
it, and it makes what it usually makes of a clear sky, the reference must say what it usually says of one. Both must
have moved against their past, the reference by itself and against the plant, on several such days running: a season
moves one of them, a fault of the plant moves only the other. A sensor that says the same number for hours of sun is
stuck, which needs no witness.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from math import exp, isnan, log, nan, sqrt
from statistics import fmean, median

import numpy as np

from watcher.align.window import Floats
from watcher.detect.clear_spells import spell_ratios
from watcher.detect.reference_silent import LIGHT, references
from watcher.detect.scene import FAULT, OK, Judgement, Scene, ac_power, unknown
from watcher.detect.settled import Settling, kept_days
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, local_day
from watcher.domain.quantity import WEATHER_DEVICES
from watcher.domain.site import Site, Storage
from watcher.expect.expectation import Basis
from watcher.expect.learned import facts_number

CODES = (
    "reference-wrong.not-judged",
    "reference-wrong.as-usual",
    "reference-wrong.says-more",
    "reference-wrong.says-less",
    "reference-wrong.stuck",
    "reference-wrong.few-clear-days",
)
_USUAL, _MORE, _LESS, _STUCK, _FEW = 1, 2, 3, 4, 5
CAUSES = ((), ("says-more",), ("says-less",), ("stuck",))

BASES = (Basis.SATELLITE, Basis.WEATHER, Basis.WEATHER)
DAY_SIGMA = {Basis.MEASURED: 0.045, Basis.SATELLITE: 0.08, Basis.WEATHER: 0.16}
"""Standard deviation of what a reference says of one clear spell after another, against the plant, within a season
(seeded healthy years)."""

HISTORY, FEWEST, LATEST = 12, 5, 8
"""Clear days that say what is usual, and of the newest those looked at together. Few, since either has a season."""

LONGEST_MEAN_S = 900.0
"""Means over an hour run smoothly under any sky."""


class ReferenceWrong:
    name = Finding.REFERENCE_WRONG

    def subjects(self, site: Site) -> tuple[str, ...]:
        return references(site)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        basis = _basis(scene, subject)
        inverter = _witness(scene.site)
        found = ac_power(scene, inverter) if inverter is not None else None
        if basis is None or inverter is None or found is None:
            return unknown(scene, self.name, subject, CODES[0])
        power, known_ms = found
        n = scene.window.points
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        onset, onset_low, onset_high, units = (np.zeros(n, dtype=np.int64) for _ in range(4))
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        facts: dict[int, Mapping[str, str | float]] = {}
        figures: list[DayFigure] = []
        known_ms = np.maximum(known_ms, scene.expected.known_ms)

        def figure_of(one: Settling) -> dict[str, float]:
            logs = _logs(scene, inverter, basis, power, known_ms, one)
            kept = {"since": 0.0, "stuck_hours": self._stuck_hours(scene, subject, one)}
            return kept if logs is None else {**kept, "plant": logs[0], "reference": logs[1]}

        on_file = float(facts_number(scene.site, inverter))
        for one, days, own, values in kept_days(scene, self.name, subject, on_file, figure_of):
            if own is None:
                continue
            since, moved = self._moved(scene, basis, days)
            values["since"] = float(since)
            figures.append(own)
            stuck, at = values["stuck_hours"], one.at
            if stuck:
                verdict[at], code[at], cause[at] = FAULT, _STUCK, 3
                since = since or one.day.toordinal()
                facts[at] = {"stuck_hours": round(stuck, 1)}
            elif since:  # said on every day while it stands: a day without clear spells changes nothing
                verdict[at], code[at], cause[at] = FAULT, _MORE if moved > 0.0 else _LESS, 1 if moved > 0.0 else 2
                facts[at] = {"difference_percent": round(100.0 * (exp(moved) - 1.0), 1)}
            elif "plant" in values and not isnan(moved):
                verdict[at], code[at] = OK, _USUAL
            else:
                code[at] = _FEW
                continue
            units[at] = 1
            if verdict[at] == FAULT:
                begun_ms, ended_ms = local_day(date.fromordinal(since), scene.site.zone)
                first = next((day.day for day in days if day.day.toordinal() >= since and "plant" in day.values), None)
                onset_low[at] = begun_ms
                onset[at] = begun_ms if first is None else local_day(first, scene.site.zone)[0]
                onset_high[at] = min(max(onset[at], ended_ms), one.point_ms)
        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=code, codes=CODES, cause=cause,
            cause_sets=CAUSES, observed=observed, expected=expected, unit="", onset_ms=onset,
            onset_low_ms=onset_low, onset_high_ms=onset_high, loss_mwh=np.zeros(n), arrears_mwh=np.zeros(n),
            loss_share=0.0, evidence=lambda point: facts.get(point, {}), units=units, figures=figures,
        )  # fmt: skip

    def _moved(self, scene: Scene, basis: Basis, days: Sequence[DayFigure]) -> tuple[int, float]:
        """The ordinal of the day since which the reference says something else, 0 for none, and by how much [ln].

        NaN where there are too few days to say. The day is the one after the last that surely was as usual.
        """
        since = int(days[-2].values["since"]) if len(days) > 1 else 0
        wrong = _wrong_days(days)
        seen = [one for one in days if "plant" in one.values and (since or one.day.toordinal() not in wrong)]
        least, needed = self._least(scene, basis), int(scene.limit(self.name, "days"))
        alike = scene.limit(self.name, "plant_alike")
        if since:
            usual = [one for one in seen if one.day.toordinal() < since and one.day.toordinal() not in wrong]
            after = [one for one in seen if one.day.toordinal() >= since]
            moves = list(_moves(usual[-HISTORY:], after, alike).values())
            if len(moves) >= needed and abs(fmean(moves[-needed:])) < least / 2.0:
                return 0, 0.0
            return since, fmean(moves[-LATEST:]) if moves else 0.0
        for count in range(needed, LATEST + 1):
            usual, after = seen[:-count][-HISTORY:], seen[-count:]
            if len(usual) < FEWEST:
                break
            moved = _moves(usual, after, alike)
            mean = fmean(moved.values()) if moved else 0.0
            newest = [move * mean >= 0.5 * mean * mean > 0.0 for move in moved.values()][-needed:]
            if len(newest) < needed or not all(newest):
                continue
            error = DAY_SIGMA[basis] * sqrt(1.0 / len(moved) + 1.0 / len(usual))
            if abs(mean) >= max(least, scene.limit(self.name, "evidence") * error):
                return _began(seen[:-count], mean, alike), mean
        return 0, 0.0 if len(seen) >= FEWEST + needed else nan

    def _least(self, scene: Scene, basis: Basis) -> float:
        if basis is Basis.WEATHER:
            return scene.limit(self.name, "least_weather")
        if basis is Basis.SATELLITE:
            return scene.limit(self.name, "least_satellite")
        return scene.limit(self.name, "least_measured")

    def _stuck_hours(self, scene: Scene, subject: str, one: Settling) -> float:
        """The longest time a sensor said the very same under a high sun, where that is too long; 0 elsewhere. [h]"""
        if subject in WEATHER_DEVICES:
            return 0.0
        longest = 0.0
        high = scene.expected.sun_elevation_deg[one.part] > scene.limit(self.name, "sun_deg")
        for name in LIGHT[:2]:  # beam alone stands at nothing under any cloud
            gauge = scene.window.gauge(f"{subject}.{name}")
            if gauge is None:
                continue
            value = gauge.value[one.part]
            seen = (gauge.known_ms[one.part] <= one.point_ms) & high & (np.nan_to_num(value) > 0.0)
            value = np.where(seen, value, np.nan)
            longest = max(longest, _longest_same(value))
        return longest if longest >= scene.limit(self.name, "stuck_hours") else 0.0


def _longest_same(value: Floats) -> float:
    """Hours for which a finite value stays the very same."""
    same = np.concatenate(([False], np.diff(value) == 0.0))
    edges = np.flatnonzero(np.diff(np.concatenate(([0], same.astype(np.int8), [0]))))
    runs = edges[1::2] - edges[::2]
    return float(runs.max() + 1) * GRID_MS / HOUR_MS if len(runs) else 0.0


def _moves(usual: Sequence[DayFigure], after: Sequence[DayFigure], alike: float) -> dict[int, float]:
    """By ordinal of days on which the plant made so nearly what it usually makes [ln]: what the reference has surely
    moved by [ln].
    """
    if not usual:
        return {}
    plant = median(one.values["plant"] for one in usual)
    reference = median(one.values["reference"] for one in usual)
    contrast = median(one.values["reference"] - one.values["plant"] for one in usual)
    found = {}
    for one in after:
        own, said = one.values["plant"], one.values["reference"]
        if abs(own - plant) > alike:
            continue
        alone, against = said - reference, said - own - contrast
        found[one.day.toordinal()] = min(alone, against, key=abs) if alone * against > 0.0 else 0.0
    return found


def _wrong_days(days: Sequence[DayFigure]) -> set[int]:
    """Ordinals of days on which the reference was found wrong, then or later: they say nothing of what is usual."""
    found: set[int] = set()
    for one in days:
        if one.values["since"]:
            found |= set(range(int(one.values["since"]), one.day.toordinal() + 1))
    return found


def _began(before: Sequence[DayFigure], mean: float, alike: float) -> int:
    """The ordinal of the day after the last of these that was as usual: that had not moved even half as far."""
    for place in range(len(before) - 1, FEWEST - 1, -1):
        moved = _moves(before[max(place - HISTORY, 0) : place], before[place : place + 1], alike)
        for day, move in moved.items():
            if move * mean < 0.5 * mean * mean:
                return day + 1
    return before[FEWEST - 1].day.toordinal() + 1


def days_misled(scene: Scene) -> set[int]:
    """Ordinals of earlier days on which what the site's sun rests on is now known to have been wrong."""
    found: set[int] = set()
    for device in references(scene.site):
        figures = scene.past.get((Finding.REFERENCE_WRONG, device), ())
        if figures and rests_on(scene, device, slice(0, scene.window.points)):
            found |= _wrong_days(figures)
    return found


def rests_on(scene: Scene, device: str, part: slice) -> bool:
    """Whether what is expected in a stretch rests on a device for a quarter or more of its sun."""
    lit = scene.expected.sun_elevation_deg[part] > 0.0
    basis = _basis(scene, device)
    return basis is not None and bool(lit.any()) and float(np.mean(scene.expected.basis[part][lit] == basis)) >= 0.25


def _basis(scene: Scene, subject: str) -> Basis | None:
    """The basis that rests on a device alone; None where a better one of its kind is on file.

    By the file and not by what was heard: a device heard for the first time today was not there yesterday.
    """
    kinds = {sensor.id: Basis.MEASURED for sensor in scene.site.sensors}
    kinds |= dict(zip(WEATHER_DEVICES, BASES, strict=True))
    first = next((device for device in references(scene.site) if kinds.get(device) is kinds[subject]), None)
    return kinds[subject] if first == subject else None


def _witness(site: Site) -> str | None:
    """The inverter with the most panels whose AC output follows the sun and is told often enough to show clouds."""
    panels = {
        inverter.id: sum(array.peak_power_w for array in site.arrays_of(inverter.id))
        for inverter in site.inverters
        if inverter.storage is not Storage.DC and site.arrays_of(inverter.id) and often_told(site, inverter.id)
    }
    return max(panels, key=lambda id: panels[id]) if panels else None


def often_told(site: Site, device: str) -> bool:
    """Whether a device tells often enough for clouds to show in what it tells."""
    source = site.source_of(device)
    return source is None or max(source.period_s, source.every_s) <= LONGEST_MEAN_S


def _logs(
    scene: Scene, inverter: str, basis: Basis, power: Floats, known_ms: np.ndarray, one: Settling
) -> tuple[float, float] | None:
    """ln of what the plant and the reference make of a clear sky, in the plant's smooth spells of a day."""
    expectation, part = scene.expected.by_subject[inverter], one.part
    due = expectation.expected
    if inverter in scene.expected.uncorrected:  # what was learned of the plant is no word of the reference
        own = scene.expected.uncorrected[inverter]
        due = np.where(np.isfinite(own), own, due)
    used = (known_ms[part] <= one.point_ms) & (scene.expected.basis[part] == basis)
    found = spell_ratios(
        power[part], expectation.bound[part], due[part], scene.expected.temp_air[part],
        scene.expected.sun_elevation_deg[part], scene.site.inverter(inverter).ac_limit_w, used,
    )  # fmt: skip
    return None if found is None or min(found) <= 0.0 else (log(found[0]), log(found[1]))
