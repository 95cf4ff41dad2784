"""meter-mismatch: over whole days a meter and what it covers disagree by more than both may err.

What may differ: the meter's class (2014/32/EU, smallest error of the class), the inverter's own accuracy from its
manual, and one step of each register at either end. Registers over days are compared, never increments, and only
over days on which both were heard. A steady difference inside the tolerance is how the two are, not a fault: what
is told then is a ratio that moves against its own history (meter_ratio.py), long before the tolerance is used up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from watcher.detect.covered import covered
from watcher.detect.meter_pair import MeterPair
from watcher.detect.meter_ratio import Bounds, CleanDay, Moved, Now
from watcher.detect.meter_sides import Comparison, Register, explained_by, side_of
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, unknown
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, local_day, local_day_of
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
CLASS_PERCENT = {"A": 3.5, "B": 2.0, "C": 0.7}
"""Largest permissible error of each class from the transitional current up, +5 to +30 °C (2014/32/EU Annex V)."""

SPANS_DAYS = (1, 2, 4, 7, 13)
"""Tried shortest first: the first with enough energy decides."""


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
        settling = _settling(scene)
        step_wh = scene.limit(self.name, "inverter_step_wh")
        step = 1000.0 * max(meter.resolution_wh, step_wh)
        if not settling:
            return unknown(scene, self.name, subject, CODES[0])
        metered = side_of(scene, subject, ("energy_index", "pulse_count"), step)
        parts = covered(scene.site, meter)
        made = [side_of(scene, name, ("ac_energy",), step) for name in parts.makers]
        between = [side_of(scene, flow.device, flow.registers, step) for flow in parts.flows]
        sides = [side for side in (metered, *made, *between) if side is not None]
        if len(sides) < 1 + len(made) + len(between) or not all(isinstance(side, Register) for side in between):
            return unknown(scene, self.name, subject, CODES[0])
        signs = [1] * len(made) + [flow.sign for flow in parts.flows]
        both = Comparison(scene, sides, explained_by(scene, meter), scene.limit(self.name, "unheard_share"), signs)
        # Sums of power err by more than a ratio may move.
        registers = all(isinstance(side, Register) for side in sides)
        pair = MeterPair(scene, meter, both, step_wh, self._bounds(scene)) if registers else None
        n = window.points
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        onset, onset_low, onset_high, units = (np.zeros(n, dtype=np.int64) for _ in range(4))
        loss, arrears = np.zeros(n), np.zeros(n)
        cause_sets: list[tuple[str, ...]] = [()]
        facts: dict[int, Mapping[str, str | float]] = {}
        figures: list[DayFigure] = []
        newest = max((one.day for one in scene.past.get((self.name, subject), ())), default=date.min)
        for point_ms, day, again in settling:
            at = window.index_of(point_ms)
            said: _Said | None = None
            change: Moved | None = None
            known = [] if pair is None else pair.take(day, point_ms)
            if day >= newest:  # else a later day has been compared already: an older one proves nothing about now
                repaired = 0 if pair is None else pair.well_since
                said = self._by_tolerance(scene, meter, both, step, day, point_ms, repaired)
                if pair is not None and known and known[-1].day == day.toordinal():
                    change = pair.moved(known, day)
                    said = self._better(said, self._by_history(scene, pair, known, change))
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
                    usual = 1.0 if pair.before is None else pair.before.ratio
                    ratio = said.ratio if said.ratio else said.told_mwh / said.made_mwh / usual
                    looks_like = pair.causes(ratio, pair.before is not None, said.onset_ms[0])
                    if looks_like not in cause_sets:
                        cause_sets.append(looks_like)
                    cause[at] = cause_sets.index(looks_like)
                facts[at] = said.facts
            if pair is not None:
                kept = pair.figure(self.name, day, point_ms, _apart_since(scene, said, day), change)
                figures += [] if kept is None else [kept]
        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=cause,
            cause_sets=tuple(cause_sets),
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

    def _bounds(self, scene: Scene) -> Bounds:
        """From when on a ratio that moves is told."""
        return Bounds(
            errors=scene.limit(self.name, "moved_errors"),
            least=scene.limit(self.name, "moved_least"),
            day_errors=scene.limit(self.name, "day_errors"),
            day_least=scene.limit(self.name, "day_least"),
            near=scene.limit(self.name, "near_share"),
            sure=scene.limit(self.name, "sure_errors"),
        )

    def _better(self, by_tolerance: _Said | None, by_history: _Said | None) -> _Said | None:
        """Of two answers for a day the one that knows more: a history that has moved, or has come back, is the finer
        measure, unless the day by itself is out of tolerance.
        """
        if by_history is None or by_tolerance is None:
            return by_history or by_tolerance
        if by_tolerance.code == _APART and (by_history.code == _NEARLY or by_tolerance.days == 1):
            return by_tolerance
        return by_tolerance if by_tolerance.code == _EXPLAINED and by_history.code == _NEARLY else by_history

    def _by_tolerance(
        self, scene: Scene, meter: Meter, both: Comparison, step: float, day: date, point_ms: int, repaired: int
    ) -> _Said | None:
        """The shortest stretch up to a day with enough energy; None where none can be compared.

        repaired: ordinal of the day before which a stretch may not reach, for what was wrong then is over
        """
        least = max(scene.limit(self.name, "least_wh") * 1000.0, scene.limit(self.name, "least_steps") * step)
        start_ms = scene.window.start_ms
        end = both.places(day)[1]
        for days in SPANS_DAYS:
            begun = day - timedelta(days=days - 1)
            first, dusk = both.places(begun)
            if first < 1 or begun.toordinal() < repaired:
                return None
            found = both.energies(first, end, point_ms)
            if found is None:
                return None
            told, energy = found
            if energy < least:
                continue
            if both.explained[first:end].any():
                return _Said(_EXPLAINED)
            if not both.clean(first, end):
                return None
            tolerance = self._tolerance(scene, meter) + 2.0 * step / energy
            difference = told / energy - 1.0
            apart = abs(difference) > tolerance
            agree = abs(difference) < scene.limit(self.name, "fine_share") * tolerance
            onset_ms = local_day(begun, scene.site.zone)[0]
            lost = max(energy - told, 0.0) if apart else 0.0
            return _Said(
                _APART if apart else _AGREE if agree else _BETWEEN,
                told,
                energy,
                (onset_ms, onset_ms, start_ms + GRID_MS * dusk),
                lost / days,
                lost - lost / days,
                _facts(meter, told, energy, difference, days) | {"tolerance_percent": round(100.0 * tolerance, 1)},
                days=days,
            )
        return None

    def _by_history(
        self, scene: Scene, pair: MeterPair, known: Sequence[CleanDay], change: Moved | None
    ) -> _Said | None:
        """What it says of a day that the ratio of the two has moved, or has come back; None where it did neither."""
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
            pair.usual_share(since),
        )

    def _tolerance(self, scene: Scene, meter: Meter) -> float:
        """How far apart meter and inverters may be, as a share: the worst case of both. (reference: common practice)"""
        inverters = [scene.site.inverter(name).accuracy_percent for name in meter.covers]
        return (CLASS_PERCENT[meter.accuracy_class] + max(inverters)) / 100.0


@dataclass(frozen=True, slots=True)
class _Said:
    """What one comparison says. onset_ms: estimate, low, high. ratio: of the two against what was usual, 0 against 1

    lost_mwh, lost_before_mwh: on the day itself, and since the onset before it. days: of the stretch it rests on
    """

    code: int
    told_mwh: float = 0.0
    made_mwh: float = 0.0
    onset_ms: tuple[int, int, int] = (0, 0, 0)
    lost_mwh: float = 0.0
    lost_before_mwh: float = 0.0
    facts: Mapping[str, str | float] = field(default_factory=dict)
    ratio: float = 0.0
    days: int = 0


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
