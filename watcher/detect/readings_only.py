"""A site judged by nothing but what people read from its meter: each interval against the sunshine of just that time.

Rule: intervals are judged together, by what one of few things explains them all (reading_steps.py). One odd reading is
a question about the reading; a step at a date of the record is a question about the record; only what goes on through
readings is a fault. Slow things are told of and accuse nobody.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from watcher.align.entry_check import Known, check_entry
from watcher.align.typed import MeterLife, Standing, TypedReading
from watcher.align.window import Bools, Floats, Ints
from watcher.detect.reading_chain import Chain, chain
from watcher.detect.reading_steps import YEAR_MS, Event, Explained, Row, Shape, explain
from watcher.detect.readings_found import (
    Cause,
    DoubtfulReading,
    Held,
    ReadingsFinding,
    ReadingsJudged,
    Sureness,
    Untold,
)
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS
from watcher.domain.site import Storage
from watcher.expect.expectation import Basis
from watcher.expect.past_energy import PastEnergy
from watcher.expect.sum_band import sum_sigma

LEAST_DAYS = 20.0
"""Shorter intervals are judged together with the next: what is typed every week is no better for it."""

LEAST_INTERVALS, LEAST_YEARS = 4, 0.9
"""Fewer say nothing of a usual level: a year, or its season is taken for it."""

KNOWN_SHARE = 0.9
"""Of an interval's sunshine (by clear-sky energy) that must be known."""

FULL_SHARE = 0.7
"""Quantile of made over expected that stands for a site that is well: under the middle half its time may be ill."""

NINE_IN_TEN = 1.645

YEARS_APART = 0.05
"""What one British year's sunshine differs by from another's (standard deviation; common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Intervals:
    """Columns; first, last: places of the readings among those kept."""

    start_ms: Ints
    end_ms: Ints
    made: Floats
    expected: Floats
    first: Ints
    last: Ints
    joined: Bools


def judge_readings(
    readings: Sequence[TypedReading],
    life: MeterLife,
    energy: PastEnergy,
    basis: Basis,
    limits: Mapping[str, float],
) -> ReadingsJudged:
    """All that a meter's readings tell. limits: those of `output-low` (alert/policy_table.py) that begin "readings_".

    energy: what the inverters behind the meter should have made, by the sunshine of this basis; Basis.NONE where it is
        a typical sky's (past_energy.typical_sunshine)
    """
    meter = life.meter
    if any(inverter.storage is Storage.DC and not inverter.removed for inverter in life.record.inverters):
        return ReadingsJudged(meter, basis, untold=Untold.BATTERY)
    if energy.clear_sums[-1] <= 0.0:
        return ReadingsJudged(meter, basis, untold=Untold.NO_FACTS)
    found = chain(readings, life, energy)
    held, unknown = _intervals(found, energy)
    years = (held.end_ms[-1] - held.start_ms[0]) / YEAR_MS if len(held.made) else 0.0
    if len(held.made) < LEAST_INTERVALS or years < LEAST_YEARS:
        why = Untold.NO_SUNSHINE if unknown > len(held.made) else Untold.FEW_READINGS
        return ReadingsJudged(meter, basis, doubtful=_left_out(found, life, energy, 1.0), untold=why)
    return _Judge(found, held, life, energy, basis, limits).judged()


def believed(readings: Sequence[TypedReading], life: MeterLife, energy: PastEnergy) -> tuple[Ints, Ints, Floats]:
    """(starts, ends, energy made) of the intervals between readings that hang together. [ms, ms, Wh]"""
    held, _ = _intervals(chain(readings, life, energy), energy)
    return held.start_ms, held.end_ms, held.made


def _intervals(found: Chain, energy: PastEnergy) -> tuple[_Intervals, int]:
    """The intervals that can be judged, and how many cannot for want of sunshine."""
    rows: list[tuple[int, int, float]] = []
    begun = None
    made = 0.0
    for n, wh in enumerate(found.wh):
        if wh is None:
            begun = None
            continue
        if begun is None:
            begun, made = n, 0.0
        made += wh
        if found.kept[n + 1].at_ms - found.kept[begun].at_ms >= LEAST_DAYS * DAY_MS:
            rows.append((begun, n + 1, made))
            begun = None
    first = np.array([row[0] for row in rows], dtype=np.int64)
    last = np.array([row[1] for row in rows], dtype=np.int64)
    at = np.array([one.at_ms for one in found.kept], dtype=np.int64)
    sums = energy.between(at[first], at[last])
    good = (sums.known >= KNOWN_SHARE) & (np.nan_to_num(sums.expected) > 0.0)
    first, last = first[good], last[good]
    joined = np.append(last[:-1] == first[1:], False) if len(first) else np.zeros(0, dtype=bool)
    whs = np.array([row[2] for row in rows], dtype=np.float64)[good]
    return _Intervals(at[first], at[last], whs, sums.expected[good], first, last, joined), int(np.sum(~good))


def _left_out(found: Chain, life: MeterLife, energy: PastEnergy, level: float) -> tuple[DoubtfulReading, ...]:
    return tuple(_doubtful(one, found.kept, life, energy, level) for one in found.left_out)


def _doubtful(
    one: TypedReading, kept: Sequence[TypedReading], life: MeterLife, energy: PastEnergy, level: float
) -> DoubtfulReading:
    """Where the index should have stood by its neighbours, and the slip that would explain it."""

    def expected_wh(start_ms: int, end_ms: int) -> float | None:
        wh = float(energy.between(np.array([start_ms]), np.array([end_ms])).expected[0])
        return None if np.isnan(wh) else level * wh

    good = [replace(other, standing=Standing.GOOD) for other in kept if other.at_ms != one.at_ms]
    before = next((other for other in reversed(good) if other.at_ms < one.at_ms), None)
    after = next((other for other in good if other.at_ms > one.at_ms), None)
    check = check_entry(
        one.typed or f"{one.index_wh / 1000.0:.1f}", one.at_ms, life, good, Known(expected_wh=expected_wh)
    )
    low, high = (check.low_wh or 0.0), (check.high_wh or 0.0)
    if before is not None and after is not None and after.index_wh > before.index_wh:
        low, high = max(low, before.index_wh), min(high or after.index_wh, after.index_wh)
    return DoubtfulReading(one, low, high, check.slip, check.offered_wh)


class _Judge:
    """What the parts of one judgement share."""

    def __init__(
        self,
        found: Chain,
        held: _Intervals,
        life: MeterLife,
        energy: PastEnergy,
        basis: Basis,
        limits: Mapping[str, float],
    ) -> None:
        self.found, self.held, self.life, self.energy, self.basis = found, held, life, energy, basis
        self.limits = limits
        ratio = held.made / held.expected
        alive = ratio[ratio > 0.1]
        self.usual = float(np.quantile(alive, FULL_SHARE)) if len(alive) else 1.0
        weight = held.expected * self.usual
        step_wh = life.facts(int(held.end_ms[-1]))[1].resolution_wh
        days = (held.end_ms - held.start_ms) / DAY_MS
        noon = _noon_deg(life.record.base.latitude_deg, (held.start_ms + held.end_ms) // 2)
        sigma = np.hypot(sum_sigma(basis, days, noon), 0.6 * step_wh / weight)
        self.row = Row(held.start_ms, held.end_ms, ratio / self.usual, sigma, weight, held.joined)
        self.explained: Explained = explain(self.row, limits["readings_shape"])
        years = float((held.end_ms - held.start_ms).sum()) / YEAR_MS
        self.year_wh = float(np.sum(weight * self.explained.usual)) / years

    def judged(self) -> ReadingsJudged:
        events = self.explained.events
        lasting: list[ReadingsFinding] = []
        past: list[ReadingsFinding] = []
        for event in events:
            if event.shape is Shape.STEP:
                one = self._finding(event)
                if one is not None:
                    (past if one.until_ms is not None else lasting).append(one)
        level, level_sd = self._level()
        if (question := self._record(level, level_sd)) is not None:
            lasting.append(question)
        slips = [self.found.kept[self.held.last[event.first]] for event in events if event.shape is Shape.SLIP]
        slips += [self.found.kept[-1]] if any(self._newest_alone(event) for event in events) else []
        kept = [one for one in self.found.kept if one not in slips]
        doubtful = [_doubtful(one, kept, self.life, self.energy, level) for one in (*self.found.left_out, *slips)]
        unsteady = float(np.median(self.explained.noise)) > self.limits["readings_unsteady"]
        return ReadingsJudged(
            meter=self.life.meter,
            basis=self.basis,
            held=self._held(),
            level=level,
            level_sd=level_sd,
            fading=self.explained.fading + sum(one.size for one in events if one.shape is Shape.RAMP),
            usual_year_wh=self.year_wh,
            findings=tuple(sorted(lasting, key=lambda one: -one.loss_year_wh)),
            past=tuple(past),
            doubtful=tuple(sorted(doubtful, key=lambda one: one.reading.at_ms)),
            untold=Untold.UNSTEADY if unsteady else None,
        )

    def _held(self) -> tuple[Held, ...]:
        row = self.row
        usual = np.maximum(self.explained.usual, 0.0)
        off = NINE_IN_TEN * self.explained.noise
        return tuple(
            Held(
                int(row.start_ms[n]),
                int(row.end_ms[n]),
                float(self.held.made[n]),
                float(self.held.expected[n]),
                float(row.weight[n] * usual[n]),
                float(row.weight[n] * max(usual[n] - off[n], 0.0)),
                float(row.weight[n] * (usual[n] + off[n])),
            )
            for n in range(len(row))
        )

    def _level(self) -> tuple[float, float]:
        """Made over expected when it is well, by energy; and how sure that is, by what references err for good."""
        weight = self.row.weight
        level = self.usual * float(np.sum(weight * self.explained.usual) / np.sum(weight))
        return level, self.limits["readings_level_sd"]

    def _newest_alone(self, event: Event) -> bool:
        """Whether the newest reading alone tells of it, and of more than the plant ever made."""
        return (
            event.shape is Shape.STEP and event.first == len(self.row) - 1 and event.size > self.limits["readings_more"]
        )

    def _finding(self, event: Event) -> ReadingsFinding | None:
        count = len(self.row)
        lasting = event.last == count - 1
        evidence = self.limits["readings_evidence"]
        share, sd = -event.size, event.size_sd
        if lasting and event.evidence < evidence:
            return None
        intervals = count - event.first if lasting else event.last - event.first + 1
        onset, low, high = self._onset(event)
        finding, causes, sureness = self._named(event, share, sd, lasting, intervals, (low, high))
        if finding is None:
            return None
        part = min(max(share, 0.0), 1.0)
        off = NINE_IN_TEN * float(np.hypot(sd, YEARS_APART * part))
        lost = part, max(part - off, 0.0), part + off
        return ReadingsFinding(
            finding=finding,
            causes=causes,
            sureness=sureness,
            onset_ms=onset,
            onset_low_ms=low,
            onset_high_ms=high,
            until_ms=None if lasting else int(self.row.end_ms[event.last]),
            share=share,
            share_low=share - NINE_IN_TEN * sd,
            share_high=min(share + NINE_IN_TEN * sd, 1.0),
            loss_year_wh=self.year_wh * lost[0],
            loss_low_wh=self.year_wh * lost[1],
            loss_high_wh=self.year_wh * lost[2],
            evidence=event.evidence,
            intervals=intervals,
        )

    def _named(
        self, event: Event, share: float, sd: float, lasting: bool, intervals: int, onset: tuple[int, int]
    ) -> tuple[Finding | None, tuple[Cause, ...], Sureness]:
        limits = self.limits
        least = limits[f"readings_least_{self.basis.name.lower()}"]
        if onset[0] - int(self.row.start_ms[0]) < YEAR_MS:
            least = max(least, limits["readings_least_unseen"])
        at_record = any(onset[0] - 45 * DAY_MS <= at <= onset[1] + 45 * DAY_MS for at in self.life.record.changes())
        if share < 0:
            if -share < limits["readings_more"] or not lasting or intervals < 2:
                return None, (), Sureness.QUESTION
            return Finding.SITE_RECORD_WRONG, (Cause.PANELS_ADDED,), Sureness.QUESTION
        if share < least:
            return None, (), Sureness.POSSIBLE
        if share > limits["readings_stopped"] and not np.any(self.row.ratio[event.first : event.last + 1] > 0.15):
            still = self.row.ratio[-1] <= limits["readings_still"]
            one = Sureness.LIKELY if still else Sureness.POSSIBLE
            sure = Sureness.CERTAIN if intervals >= 2 else one
            return Finding.METER_STALLED, (Cause.METER_STOPPED, Cause.NOTHING_MADE), sure
        if at_record and self._rose_on_file(onset):
            return Finding.SITE_RECORD_WRONG, (Cause.DATE_OF_CHANGE_WRONG, Cause.PART_DEAD), Sureness.QUESTION
        sure = Sureness.CERTAIN if share - NINE_IN_TEN * sd > least else Sureness.LIKELY
        if intervals < 2:
            # One low reading is undone by the next as often as not: a breaker put back, a slip of the pen.
            sure = Sureness.POSSIBLE
        causes = (Cause.PART_DEAD, Cause.METER_LOSES) if share > 0.2 else (Cause.PART_DEAD, Cause.SHADE_OR_DIRT)
        return Finding.OUTPUT_LOW, causes, sure

    def _rose_on_file(self, onset: tuple[int, int]) -> bool:
        """Whether the record gained panels about then: the expectation rose, not the output fell."""
        record = self.life.record
        before, after = (
            sum(array.peak_power_w for array in record.at(at).arrays)
            for at in (onset[0] - 46 * DAY_MS, onset[1] + 46 * DAY_MS)
        )
        return after > 1.02 * before

    def _onset(self, event: Event) -> tuple[int, int, int]:
        """(best, lowest, highest) instant at which it began, by the energy of the interval in which it did."""
        instants = [self._instant(first, part) for first, part in event.onsets]
        if event.part == 0.0 and event.first > 0 and (event.first, 0.0) in event.onsets:
            instants.append(self._instant(event.first, 0.15))  # half a step of the parts tried
        best = self._instant(event.first, event.part)
        spread = min(instants), max(instants)
        if event.first > 0:
            # A part is tried in steps of a third: so wide is each answer.
            length = int(self.row.end_ms[event.first - 1] - self.row.start_ms[event.first - 1])
            spread = spread[0] - length // 6, spread[1] + length // 6
        return best, min(spread[0], best), max(spread[1], best)

    def _instant(self, first: int, part: float) -> int:
        start, end = int(self.row.start_ms[first]), int(self.row.end_ms[first])
        if first == 0 or part == 0.0:
            return start
        start, end = int(self.row.start_ms[first - 1]), int(self.row.end_ms[first - 1])
        return min(self.energy.when(start, (1.0 - part) * float(self.held.expected[first - 1])), end)

    def _record(self, level: float, level_sd: float) -> ReadingsFinding | None:
        """A question where it always made far less, or more, than the record allows; a stop where it made nothing."""
        low, high = self.limits["readings_level_low"], self.limits["readings_level_high"]
        stopped = level < 1.0 - self.limits["readings_stopped"]
        if not stopped and (self.basis is Basis.NONE or low <= level <= high):
            return None
        start = int(self.row.start_ms[0])
        share, off = max(1.0 - level, 0.0), NINE_IN_TEN * level_sd
        spanned = float((self.row.end_ms - self.row.start_ms).sum()) / YEAR_MS
        full = float(np.sum(self.held.expected)) / spanned
        peak = sum(array.peak_power_w for array in self.life.record.at(int(self.row.end_ms[-1])).arrays)
        if stopped:
            finding, sure = Finding.METER_STALLED, Sureness.CERTAIN
            causes: tuple[Cause, ...] = (Cause.METER_STOPPED, Cause.NOTHING_MADE)
        else:
            finding, sure = Finding.SITE_RECORD_WRONG, Sureness.QUESTION
            causes = (Cause.RATING_WRONG, Cause.DIRECTION_WRONG) + ((Cause.PART_DEAD,) if level < low else ())
        return ReadingsFinding(
            finding, causes, sure, start, start, start, None, 1.0 - level, 1.0 - level - off, 1.0 - level + off,
            full * share, full * max(share - off, 0.0), full * (share + off), abs(1.0 - level) / level_sd,
            len(self.row), None if stopped else peak * level / self.limits["readings_level"],
        )  # fmt: skip


def _noon_deg(latitude_deg: float, at_ms: Ints) -> Floats:
    """The sun's height at noon, to a degree (Cooper 1969)."""
    declination = 23.45 * np.sin(2.0 * np.pi * (at_ms / DAY_MS - 80.0) / 365.2425)
    return np.asarray(90.0 - abs(latitude_deg) + declination)
