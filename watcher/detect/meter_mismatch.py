"""meter-mismatch: over whole days a meter and what it covers disagree by more than both may err.

What may differ: the meter's class (2014/32/EU, smallest error of the class), the inverter's own accuracy from its
manual, and one step of each register at either end. Registers over days are compared, never increments, and only
over days on which both were heard. A steady difference inside the tolerance is how the two are, not a fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Protocol

import numpy as np

from watcher.align.segments import FLAGS, Segments
from watcher.align.window import Bools, Counter, Gauge, SegmentFlag, Window
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, heard, mwh, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY, local_day
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

_PLAIN = {FLAGS.index(SegmentFlag.COUNTED), FLAGS.index(SegmentFlag.DIPPED)}
"""Counting, and misreadings that were taken back. After anything else a difference of registers is no energy."""


class _Side(Protocol):
    """One of the two that are compared."""

    def energy_mwh(self, first: int, stop: int, point_ms: int) -> float | None:
        """Energy of the intervals first..stop-1, as known at a grid point; None where it cannot be told."""
        ...

    def is_heard(self) -> Bools:
        """Where it was heard."""
        ...


@dataclass(frozen=True, slots=True)
class _Register:
    """Its energy is what it shows at the end less what it showed at the beginning, gaps in between or not."""

    window: Window
    counter: Counter
    every_s: float
    step_mwh: float

    def energy_mwh(self, first: int, stop: int, point_ms: int) -> float | None:
        segments = Segments.of(self.counter.segments)
        start_ms, end_ms = (self.window.start_ms + GRID_MS * place for place in (first, stop))
        touching = slice(
            int(np.searchsorted(segments.end_ms, start_ms, side="right")),
            int(np.searchsorted(segments.start_ms, end_ms, side="left")),
        )
        if not set(segments.flag[touching].tolist()) <= _PLAIN:
            return None
        # What was counted across either end cannot be dated; over a night that is next to nothing.
        across = (segments.start_ms[touching] < start_ms) | (segments.end_ms[touching] > end_ms)
        if (segments.mwh[touching][across] > self.step_mwh).any():
            return None
        energy = 1000.0 * (self.counter.index_wh[stop - 1] - self.counter.index_wh[first - 1])
        return None if np.isnan(energy) else float(np.round(energy))

    def is_heard(self) -> Bools:
        return heard(self.window, self.counter.seen_ms, self.every_s)


@dataclass(frozen=True, slots=True)
class _Power:
    """Without a register, the integral of power, whichever sign stands for generation on a meter."""

    gauge: Gauge

    def energy_mwh(self, first: int, stop: int, point_ms: int) -> float | None:
        energy = mwh(self.gauge.value[first:stop][self.gauge.known_ms[first:stop] <= point_ms])
        return float(max(np.nansum(np.maximum(energy, 0.0)), np.nansum(np.maximum(-energy, 0.0))))

    def is_heard(self) -> Bools:
        return ~np.isnan(self.gauge.value)


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
        meter, window = scene.site.meter(subject), scene.window
        step = 1000.0 * max(meter.resolution_wh, scene.limit(self.name, "inverter_step_wh"))
        metered = self._side(scene, subject, ("energy_index", "pulse_count"), step)
        made = [self._side(scene, name, ("ac_energy",), step) for name in meter.covers]
        sides = [side for side in (metered, *made) if side is not None]
        if len(sides) < 1 + len(made):
            return unknown(scene, self.name, subject, CODES[0])
        least = max(scene.limit(self.name, "least_wh") * 1000.0, scene.limit(self.name, "least_steps") * step)
        all_heard = np.logical_and.reduce([side.is_heard() for side in sides])
        stalled = scene.judged.get((Finding.METER_STALLED, subject))
        n = window.points
        explained = stalled.verdict == FAULT if stalled is not None else np.zeros(n, dtype=bool)

        verdict, code, units = np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int64)
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        onset, loss, arrears = np.zeros(n, dtype=np.int64), np.zeros(n), np.zeros(n)
        facts: dict[int, Mapping[str, str | float]] = {}
        newest = date.min
        for point_ms, day, again in _settling(scene):
            at, end = window.index_of(point_ms), (local_day(day, scene.site.zone)[1] - window.start_ms) // GRID_MS
            if day < newest:
                continue  # a later day has been compared already: an older one proves nothing about now
            for days in SPANS_DAYS:
                first = end - days * POINTS_A_DAY
                if first < 1:
                    break
                told, *shares = (side.energy_mwh(first, end, point_ms) for side in sides)
                if told is None or None in shares:
                    break
                energy = sum(share for share in shares if share is not None)
                if energy < least:
                    continue
                if explained[first:end].any():
                    code[at] = 4
                    break
                if not self._heard_throughout(scene, all_heard, slice(first, end)):
                    break
                newest = day
                tolerance = self._tolerance(scene, meter) + 2.0 * step / energy
                difference = told / energy - 1.0
                units[at] = 1
                observed[at], expected[at] = told / 1000.0, energy / 1000.0
                apart = abs(difference) > tolerance
                agree = abs(difference) < scene.limit(self.name, "fine_share") * tolerance
                verdict[at] = FAULT if apart else OK if agree else UNKNOWN
                code[at] = 2 if apart else 1 if agree else 3
                onset[at] = window.start_ms + GRID_MS * first
                lost = max(energy - told, 0.0) if apart else 0.0
                # A day that settles again was told of before, if it was told at all.
                loss[at] = 0.0 if again else np.round(lost / days)
                arrears[at] = lost - loss[at]
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
            onset_high_ms=onset + DAY_MS,
            loss_mwh=loss,
            arrears_mwh=arrears,
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=lambda point: facts.get(point, {}),
            units=units,
        )

    def _side(self, scene: Scene, device: str, registers: tuple[str, ...], step_mwh: float) -> _Side | None:
        window, source = scene.window, scene.site.source_of(device)
        every_s = max(source.every_s, source.period_s) if source else 60.0
        for name in registers:
            if (counter := window.counter(f"{device}.{name}")) is not None:
                return _Register(window, counter, every_s, step_mwh)
        gauge = window.gauge(f"{device}.ac_power")
        return None if gauge is None else _Power(gauge)

    def _heard_throughout(self, scene: Scene, all_heard: Bools, part: slice) -> bool:
        """All heard in nearly every sunlit interval."""
        sunlit = scene.expected.sun_elevation_deg[part] > 0.0
        unheard = ~all_heard[part] & sunlit
        return bool(unheard.sum() <= scene.limit(self.name, "unheard_share") * max(1, int(sunlit.sum())))

    def _tolerance(self, scene: Scene, meter: Meter) -> float:
        """How far apart meter and inverters may be, as a share: the worst case of both. (reference: common practice)"""
        inverters = [scene.site.inverter(name).accuracy_percent for name in meter.covers]
        return (CLASS_PERCENT[meter.accuracy_class] + max(inverters)) / 100.0


def _settling(scene: Scene) -> list[tuple[int, date, bool]]:
    """Points inside the window at which days settle, in order; which day, and whether it does so again."""
    window = scene.window
    found = [
        (point_ms, day, revision > 0)
        for day, points in scene.settling.items()
        for revision, point_ms in enumerate(points)
        if 0 <= window.index_of(point_ms) < window.points
    ]
    return sorted(found)
