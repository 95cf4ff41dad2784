"""meter-mismatch: over whole days a meter and what it covers disagree by more than both may err.

What may differ: the meter's class (2014/32/EU, smallest error of the class), the inverter's own accuracy from its
manual, and one step of each register at either end. Registers over days are compared, never increments, and only
over days on which both were heard. A steady difference inside the tolerance is how the two are, not a fault: what
is told then is a ratio that moves against its own history (meter_ratio.py), long before the tolerance is used up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Protocol

import numpy as np

from watcher.align.segments import FLAGS, Segments
from watcher.align.window import Bools, Counter, Gauge, SegmentFlag, Window
from watcher.detect.meter_pair import MeterPair
from watcher.detect.meter_ratio import Now
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, heard, mwh, unknown
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY, local_day, local_day_of
from watcher.domain.site import Meter, MeterRole, Site

CODES = (
    "meter-mismatch.not-judged",
    "meter-mismatch.agree",
    "meter-mismatch.apart",
    "meter-mismatch.between",
    "explained.other-finding",
    "meter-mismatch.moved",
    "meter-mismatch.nearly-moved",
)
_AGREE, _APART, _BETWEEN, _EXPLAINED, _MOVED, _NEARLY = 1, 2, 3, 4, 5, 6
CAUSES = ("", "constant-wrong", "phase-missing", "pulses-lost", "pulses-doubled", "inverter-changed")
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

        def clean(first: int, stop: int) -> bool:
            heard = self._heard_throughout(scene, all_heard, slice(first, stop))
            return heard and not bool(explained[first:stop].any())

        registers = [side for side in sides if isinstance(side, _Register)]
        step_wh = scene.limit(self.name, "inverter_step_wh")
        # Sums of power err by more than a ratio may move.
        pair = MeterPair(scene, meter, registers, clean, step_wh) if len(registers) == len(sides) else None
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        onset, onset_low, onset_high, units = (np.zeros(n, dtype=np.int64) for _ in range(4))
        loss, arrears = np.zeros(n), np.zeros(n)
        facts: dict[int, Mapping[str, str | float]] = {}
        figures: list[DayFigure] = []
        newest = max((one.day for one in scene.past.get((self.name, subject), ())), default=date.min)
        for point_ms, day, again in _settling(scene):
            at = window.index_of(point_ms)
            said: _Said | None = None
            if day >= newest:  # else a later day has been compared already: an older one proves nothing about now
                said = self._by_tolerance(scene, meter, sides, least, step, clean, explained, day, point_ms)
            by_history = None if pair is None or day < newest else self._by_history(scene, pair, day, point_ms)
            if by_history is not None and (said is None or said.code not in (_APART, _EXPLAINED)):
                said = by_history
            if said is not None:
                code[at] = said.code
            if said is not None and said.code != _EXPLAINED:
                newest, units[at] = day, 1
                verdict[at] = FAULT if said.code in (_APART, _MOVED) else OK if said.code == _AGREE else UNKNOWN
                observed[at], expected[at] = said.told_mwh / 1000.0, said.made_mwh / 1000.0
                onset[at], onset_low[at], onset_high[at] = said.onset_ms
                # A day that settles again was told of before, if it was told at all.
                loss[at] = 0.0 if again else np.round(said.lost_mwh)
                arrears[at] = np.round(said.lost_before_mwh + said.lost_mwh) - loss[at]
                if verdict[at] == FAULT and pair is not None:
                    ratio = said.ratio if said.ratio else said.told_mwh / said.made_mwh
                    cause[at] = CAUSES.index(pair.cause(ratio, said.onset_ms[0]))
                facts[at] = said.facts
            if pair is not None and (kept := pair.figure(self.name, day, point_ms, _apart_since(scene, said, day))):
                figures.append(kept)
        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=cause,
            cause_sets=tuple((one,) if one else () for one in CAUSES),
            observed=observed,
            expected=expected,
            unit="Wh",
            onset_ms=onset,
            onset_low_ms=onset_low,
            onset_high_ms=onset_high,
            loss_mwh=loss,
            arrears_mwh=arrears,
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=lambda point: facts.get(point, {}),
            units=units,
            figures=figures,
        )

    def _by_tolerance(
        self,
        scene: Scene,
        meter: Meter,
        sides: Sequence[_Side],
        least: float,
        step: float,
        clean: Callable[[int, int], bool],
        explained: Bools,
        day: date,
        point_ms: int,
    ) -> _Said | None:
        """The shortest stretch up to a day with enough energy; None where none can be compared."""
        start_ms = scene.window.start_ms
        end = (local_day(day, scene.site.zone)[1] - start_ms) // GRID_MS
        for days in SPANS_DAYS:
            first = end - days * POINTS_A_DAY
            if first < 1:
                return None
            told, *shares = (side.energy_mwh(first, end, point_ms) for side in sides)
            if told is None or None in shares:
                return None
            energy = sum(share for share in shares if share is not None)
            if energy < least:
                continue
            if explained[first:end].any():
                return _Said(_EXPLAINED)
            if not clean(first, end):
                return None
            tolerance = self._tolerance(scene, meter) + 2.0 * step / energy
            difference = told / energy - 1.0
            apart = abs(difference) > tolerance
            agree = abs(difference) < scene.limit(self.name, "fine_share") * tolerance
            onset_ms = start_ms + GRID_MS * first
            lost = max(energy - told, 0.0) if apart else 0.0
            return _Said(
                _APART if apart else _AGREE if agree else _BETWEEN,
                told,
                energy,
                (onset_ms, onset_ms, onset_ms + DAY_MS),
                lost / days,
                lost - lost / days,
                _facts(meter, told, energy, difference, days) | {"tolerance_percent": round(100.0 * tolerance, 1)},
            )
        return None

    def _by_history(self, scene: Scene, pair: MeterPair, day: date, point_ms: int) -> _Said | None:
        """A day on which the ratio of the two has moved; None where it has not, or cannot be told."""
        known = pair.days(point_ms)
        if not known or known[-1].day != day.toordinal():
            return None
        change = pair.moved(known, day)
        if change is None:
            return None
        if change.now is not Now.TOLD:
            code = _AGREE if change.now is Now.RECOVERED else _NEARLY
            return _Said(code, 1000.0 * known[-1].told_wh, 1000.0 * known[-1].made_wh)
        since = [one for one in known if one.day >= change.first]
        told, made = (1000.0 * sum(energies) for energies in zip(*((d.told_wh, d.made_wh) for d in since), strict=True))
        begun_ms = local_day(date.fromordinal(change.first), scene.site.zone)[0]
        doubt_ms = max(change.days // 2, 1) * DAY_MS
        lost = [1000.0 * pair.missed_wh(one) for one in since]
        return _Said(
            _MOVED,
            told,
            made,
            (begun_ms, begun_ms - doubt_ms, begun_ms + doubt_ms),
            lost[-1],
            sum(lost[:-1]),
            _facts(pair.meter, told, made, change.deviation, len(since)),
            1.0 + change.deviation,
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


@dataclass(frozen=True, slots=True)
class _Said:
    """What one comparison says. onset_ms: estimate, low, high. ratio: of the two against what was usual, 0 against 1

    lost_mwh, lost_before_mwh: on the day itself, and since the onset before it
    """

    code: int
    told_mwh: float = 0.0
    made_mwh: float = 0.0
    onset_ms: tuple[int, int, int] = (0, 0, 0)
    lost_mwh: float = 0.0
    lost_before_mwh: float = 0.0
    facts: Mapping[str, str | float] = field(default_factory=dict)
    ratio: float = 0.0


def _apart_since(scene: Scene, said: _Said | None, day: date) -> int:
    """Ordinal of the day from which on the two are no measure of themselves; 0 where they are."""
    if said is None or said.code not in (_APART, _MOVED, _NEARLY):
        return 0
    return day.toordinal() if said.code == _NEARLY else local_day_of(said.onset_ms[0], scene.site.zone).toordinal()


def _facts(meter: Meter, told_mwh: float, made_mwh: float, difference: float, days: int) -> dict[str, str | float]:
    return {
        "meter_kwh": round(told_mwh / 1e6, 2),
        "inverter_kwh": round(made_mwh / 1e6, 2),
        "difference_percent": round(100.0 * difference, 1),
        "days": float(days),
        "serial": meter.serial,
    }


def _settling(scene: Scene) -> list[tuple[int, date, bool]]:
    """Points that are asked for at which days settle, in order; which day, and whether it does so again."""
    window = scene.window
    found = [
        (point_ms, day, revision > 0)
        for day, points in scene.settling.items()
        for revision, point_ms in enumerate(points)
        if scene.asked_from <= window.index_of(point_ms) < window.points
    ]
    return sorted(found)
