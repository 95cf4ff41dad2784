"""meter-mismatch: over whole days a meter and what it covers disagree by more than both may err.

What may differ: the meter's class (2014/32/EU, smallest error of the class), the inverter's own accuracy from its
manual, and one step of each register at either end. Registers over days are compared, never increments, and only
over days on which both were heard. A steady difference inside the tolerance is how the two are, not a fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from watcher.align.segments import FLAGS, Segments
from watcher.align.window import Bools, Floats, SegmentFlag
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, counted_mwh, mwh, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day
from watcher.domain.site import Meter, MeterRole, Site

CODES = (
    "meter-mismatch.not-judged",
    "meter-mismatch.agree",
    "meter-mismatch.apart",
    "meter-mismatch.between",
    "explained.other-finding",
)
CLASS_PERCENT = {"A": 3.5, "B": 2.0, "C": 0.7}
"""Largest permissible error of each class from the transitional current up, +5 to +30 °C (2014/32/EU Annex V)."""

SPANS_DAYS = (1, 2, 4, 7, 13)
"""Tried shortest first: the first with enough energy decides."""


@dataclass(frozen=True, slots=True)
class _Side:
    """Energy booked per interval [mWh] and where it was heard."""

    booked: Floats
    is_heard: Bools


class MeterMismatch:
    name = Finding.METER_MISMATCH

    def subjects(self, site: Site) -> tuple[str, ...]:
        inverters = {inverter.id for inverter in site.inverters}
        return tuple(
            meter.id
            for meter in site.meters
            if meter.role is MeterRole.GENERATION and meter.covers and inverters.issuperset(meter.covers)
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, meter = scene.window, scene.site.meter(subject)
        metered = self._metered(scene, subject)
        covered = [counted_mwh(scene, name) for name in meter.covers]
        if metered is None or any(one is None for one in covered):
            return unknown(scene, self.name, subject, CODES[0])
        made = _Side(
            np.sum([one[0] for one in covered if one is not None], axis=0),
            np.logical_and.reduce([one[1] for one in covered if one is not None]),
        )
        n = window.points
        verdict, code, units = np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int64)
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        onset, loss = np.zeros(n, dtype=np.int64), np.zeros(n)
        facts: dict[int, Mapping[str, str | float]] = {}
        stalled = scene.judged.get((Finding.METER_STALLED, subject))
        explained = stalled.verdict == FAULT if stalled is not None else np.zeros(n, dtype=bool)
        for day, points in scene.settling.items():
            at = window.index_of(points[0])
            if not 0 <= at < n:
                continue
            end = (local_day(day, scene.site.zone)[1] - window.start_ms) // GRID_MS
            for days in SPANS_DAYS:
                part = slice(end - days * 288, end)
                if part.start < 0:
                    break
                energy = float(np.sum(made.booked[part]))
                told = float(np.sum(metered.booked[part]))
                step = max(meter.resolution_wh, scene.limit(self.name, "inverter_step_wh")) * 1000.0
                least = max(scene.limit(self.name, "least_wh") * 1000.0, scene.limit(self.name, "least_steps") * step)
                if energy < least:
                    continue
                if explained[part].any():
                    code[at] = 4
                    break
                if not self._heard_throughout(scene, (made, metered), part):
                    break
                tolerance = self._tolerance(scene, meter) + 2.0 * step / energy
                difference = told / energy - 1.0
                units[at] = 1
                observed[at], expected[at] = told / 1000.0, energy / 1000.0
                apart, agree = (
                    abs(difference) > tolerance,
                    abs(difference) < scene.limit(self.name, "fine_share") * tolerance,
                )
                verdict[at] = FAULT if apart else OK if agree else UNKNOWN
                code[at] = 2 if apart else 1 if agree else 3
                onset[at] = window.start_ms + GRID_MS * part.start
                loss[at] = np.round(max(energy - told, 0.0) / days) if apart else 0.0
                facts[at] = {
                    "meter_kwh": round(told / 1e6, 2),
                    "inverter_kwh": round(energy / 1e6, 2),
                    "difference_percent": round(100.0 * difference, 1),
                    "tolerance_percent": round(100.0 * tolerance, 1),
                    "days": float(days),
                    "serial": meter.serial,
                }
                break
        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=np.zeros(n, dtype=np.int8),
            cause_sets=((),),
            observed=observed,
            expected=expected,
            unit="Wh",
            onset_ms=onset,
            onset_low_ms=onset,
            onset_high_ms=onset + 86_400_000,
            loss_mwh=loss,
            arrears_mwh=np.zeros(n),
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=lambda point: facts.get(point, {}),
            units=units,
        )

    def _metered(self, scene: Scene, subject: str) -> _Side | None:
        """The meter's register; without one the integral of its power, whichever sign stands for generation."""
        counter = scene.window.counter(f"{subject}.energy_index")
        if counter is not None:
            ends = scene.window.ends()
            source = scene.site.source_of(subject)
            patience_ms = max(900_000, int(2500 * (source.every_s if source else 60.0)))
            told = counter.booked_mwh.copy()
            segments = counter.segments if isinstance(counter.segments, Segments) else Segments.of(counter.segments)
            odd = np.flatnonzero(segments.flag != FLAGS.index(SegmentFlag.COUNTED))
            for place in odd.tolist():  # a fall or a leap: these days compare nothing
                first = max(0, int(segments.start_ms[place] - scene.window.start_ms) // GRID_MS)
                told[first : int(segments.end_ms[place] - scene.window.start_ms) // GRID_MS + 1] = np.nan
            return _Side(told, (counter.seen_ms > 0) & (ends - counter.seen_ms <= patience_ms))
        gauge = scene.window.gauge(f"{subject}.ac_power")
        if gauge is None:
            return None
        energy = np.nan_to_num(mwh(np.maximum(gauge.value, 0.0)))
        booked = np.zeros(scene.window.points)
        at = (gauge.known_ms - scene.window.start_ms) // GRID_MS - 1
        inside = at < scene.window.points
        np.add.at(booked, at[inside], energy[inside])
        return _Side(booked, ~np.isnan(gauge.value))

    def _heard_throughout(self, scene: Scene, sides: tuple[_Side, _Side], part: slice) -> bool:
        """Both heard in nearly every sunlit interval, and nothing in between that is no plain counting."""
        if any(np.isnan(side.booked[part]).any() for side in sides):
            return False
        sunlit = scene.expected.sun_elevation_deg[part] > 0.0
        unheard = ~(sides[0].is_heard[part] & sides[1].is_heard[part]) & sunlit
        return bool(unheard.sum() <= scene.limit(self.name, "unheard_share") * max(1, int(sunlit.sum())))

    def _tolerance(self, scene: Scene, meter: Meter) -> float:
        """How far apart meter and inverters may be, as a share: the worst case of both. (reference: common practice)"""
        inverters = [scene.site.inverter(name).accuracy_percent for name in meter.covers]
        return (CLASS_PERCENT[meter.accuracy_class] + max(inverters)) / 100.0
