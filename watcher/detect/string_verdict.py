"""From the walk of the inputs' days to the verdicts of one finding about one input.

Rule: what is told stands at every settling point until it is seen to be over, dark days included; whoever is left out
of it because the input beside it is told is neither well nor ill.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from math import ceil, exp, isnan

import numpy as np

from watcher.align.window import Floats, Ints
from watcher.detect.contrast import InputDay, Strings
from watcher.detect.scene import FAULT, OK, Judgement, Scene, Small
from watcher.detect.string_days import Settled, Walk
from watcher.detect.string_steps import Condition, Kind, substrings
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, local_day

AC_SHARE = 0.96
"""Of DC power, for the loss at the meter (PVWatts inverter, nominal)."""

LONGEST_DOUBT_DAYS = 7


@dataclass(slots=True)
class Columns:
    """Verdicts and what belongs to them, by point; unknown until something is said."""

    verdict: Small
    code: Small
    cause: Small
    observed: Floats
    onset: Ints
    onset_low: Ints
    onset_high: Ints
    loss: Floats
    arrears: Floats
    units: Ints
    facts: dict[int, Mapping[str, str | float]]

    @classmethod
    def of(cls, points: int) -> Columns:
        verdict, code, cause = (np.zeros(points, dtype=np.int8) for _ in range(3))
        onset, onset_low, onset_high, units = (np.zeros(points, dtype=np.int64) for _ in range(4))
        nowhere = np.full(points, np.nan)
        loss, arrears = np.zeros(points), np.zeros(points)
        return cls(verdict, code, cause, nowhere, onset, onset_low, onset_high, loss, arrears, units, {})

    def put_fault(
        self, at: int, onset_ms: tuple[int, int, int], lost_mwh: Mapping[int, float], newest: frozenset[int]
    ) -> None:
        """A fault at a point. lost_mwh: by ordinal since the onset. newest: days that were not told of before"""
        self.verdict[at] = FAULT
        self.onset[at], self.onset_low[at], self.onset_high[at] = onset_ms
        self.loss[at] = sum(mwh for ordinal, mwh in lost_mwh.items() if ordinal in newest)
        self.arrears[at] = sum(lost_mwh.values()) - self.loss[at]

    def judgement(
        self,
        finding: Finding,
        subject: str,
        codes: tuple[str, ...],
        cause_sets: tuple[tuple[str, ...], ...],
        loss_share: float,
    ) -> Judgement:
        return Judgement(
            finding=finding,
            subject=subject,
            verdict=self.verdict,
            code=self.code,
            codes=codes,
            cause=self.cause,
            cause_sets=cause_sets,
            observed=self.observed,
            expected=np.full(len(self.verdict), np.nan),
            unit="Wh",
            onset_ms=self.onset,
            onset_low_ms=self.onset_low,
            onset_high_ms=self.onset_high,
            loss_mwh=self.loss,
            arrears_mwh=self.arrears,
            loss_share=loss_share,
            evidence=lambda point: self.facts.get(point, {}),
            units=self.units,
        )


def put_days(scene: Scene, found: Walk, subject: str, kind: Kind, columns: Columns, units: int = 1) -> None:
    """What the settling points say of one kind of fault at an input. Codes: 0 not told, 1 well, 2 the fault.

    units: of evidence that a settling point is worth
    """
    for settled in found.settled:
        at = scene.window.index_of(settled.point_ms)
        row = settled.newest(subject)
        condition = row.condition
        columns.observed[at] = row.day.made_wh if row.day.made_wh > 0.0 else np.nan
        if condition.kind is kind:
            newest = frozenset() if settled.again else frozenset(day.toordinal() for day in settled.days)
            lost = _lost_mwh(settled, subject, condition)
            columns.put_fault(at, onset(scene, settled, subject, condition), lost, newest)
            columns.code[at], columns.units[at] = 2, units
            columns.facts[at] = _facts(found.inputs[subject], condition, row.day)
            continue
        told = not (isnan(row.day.log) and isnan(row.day.volts))
        if told and condition.kind is Kind.NOTHING and subject not in settled.held:
            columns.verdict[at], columns.code[at], columns.units[at] = OK, 1, units


def onset(scene: Scene, settled: Settled, subject: str, condition: Condition) -> tuple[int, int, int]:
    """When a loss seems to have begun, and between which instants: the surer its days, the nearer."""
    begun_ms, ended_ms = local_day(date.fromordinal(condition.since), scene.site.zone)
    sigmas = [day.sigma for day in settled.days_of(subject, condition.since) if not isnan(day.sigma)]
    sigma = min(sigmas, default=0.0)
    doubt_days = min(max(ceil(4.0 * (sigma / max(condition.loss, 0.01)) ** 2), 1), LONGEST_DOUBT_DAYS)
    return (begun_ms + ended_ms) // 2, begun_ms - (doubt_days - 1) * DAY_MS, ended_ms


def _lost_mwh(settled: Settled, subject: str, condition: Condition) -> dict[int, float]:
    """What each day since the onset lost, by what it made: the sky's error is in neither."""
    more = (exp(condition.loss) - 1.0) * AC_SHARE * 1000.0
    return {day.day: float(round(day.made_wh * more)) for day in settled.days_of(subject, condition.since)}


def _facts(one: Strings, condition: Condition, today: InputDay) -> Mapping[str, str | float]:
    facts: dict[str, str | float] = {
        "input_number": one.input.rpartition("-")[2],
        "share": round(exp(-condition.loss), 3),
        "days": float(today.day - condition.since + 1),
        "strings": float(one.strings),
    }
    if condition.drop > 0.0:
        facts["voltage_share"] = round(exp(-condition.drop), 3)
        if one.modules:
            facts["parts_lost"] = round(substrings(condition.drop, one), 1)
    return facts
