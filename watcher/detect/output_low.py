"""output-low: over whole days an inverter makes clearly less than the sun and its equipment allow.

A simple day test: each usable civil day's ratio of made to expected, against this plant's own usual ratio of the last
thirty usable days that were not low, with a margin that depends on how good the reference is. Judged when a day
settles, and anew when it settles again on better sunshine: what was said on a forecast is then withdrawn if the better
reference does not bear it out. Days that another finding already explains are not held against the plant. A steady
simple fraction points to one of m strings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from functools import partial
from typing import NamedTuple
from zlib import crc32

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, ac_power, mwh, unknown, upper_quartile
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day
from watcher.domain.site import Site, Storage
from watcher.expect.expectation import Basis

CODES = (
    "output-low.not-judged",
    "output-low.as-expected",
    "output-low.days-below",
    "output-low.between",
    "explained.other-finding",
    "explained.snow-possible",
)
EXPLAINERS = (Finding.STRING_OPEN, Finding.NO_GENERATION)
USUAL_DAYS, FEWEST_USUAL_DAYS = 30, 3
FULL_SUMMER_DAY_H = 5.0  # hours of full power of a good summer day in the UK (common practice, no source)


class _Status(Enum):
    """The values stand in the ledger; a day that was not judged is a 0 there."""

    LOW = 1.0
    BETWEEN = 2.0
    FINE = 3.0


@dataclass(frozen=True, slots=True)
class _Day:
    """One civil day as known at a point: intervals first..last-1; share of what was usual; explained: a code or 0."""

    day: date
    first: int
    last: int
    made_mwh: float
    allowed_mwh: float
    expected_mwh: float
    explained: int
    status: _Status | None
    share: float

    @property
    def missing_mwh(self) -> float:
        return float(np.round(max(self.expected_mwh - self.made_mwh, 0.0)))


class _Sums(NamedTuple):
    """Of a day as known at a point: made and allowed [mWh], the bound over what counts and in all [W], the margin."""

    made_mwh: float
    allowed_mwh: float
    bound_seen: float
    bound_whole: float
    margin: float


@dataclass(frozen=True, slots=True)
class _Columns:
    """What the days are added up from. known_ms: when an interval's power and expectation are both known.

    bounds: first interval and the one after the last, by civil day. margin: of the intervals chosen from a day
    stood_from_ms: for days on which it did not generate at all for a while, since when that is known
    Every settling point looks at all days before it, and mostly finds each as it was: what was added up is kept.
    """

    power: Floats
    expected: Floats
    bound: Floats
    both: Bools
    known_ms: Ints
    bounds: Mapping[date, tuple[int, int]]
    margin: Callable[[slice, Bools], float]
    stood_from_ms: Mapping[date, int]
    explained: dict[tuple[int, int], int] = field(default_factory=dict)
    _done: dict[tuple[date, bytes], _Sums] = field(default_factory=dict)

    def sums(self, day: date, point_ms: int) -> _Sums:
        part = slice(*self.bounds[day])
        chosen = self.both[part] & (self.known_ms[part] <= point_ms)
        key = (day, chosen.tobytes())
        if key not in self._done:
            self._done[key] = _Sums(
                float(np.sum(mwh(np.maximum(self.power[part][chosen], 0.0)))),
                float(np.sum(mwh(self.expected[part][chosen]))),
                float(np.sum(self.bound[part][chosen])),
                float(np.sum(self.bound[part])),
                self.margin(part, chosen),
            )
        return self._done[key]


class OutputLow:
    name = Finding.OUTPUT_LOW

    def subjects(self, site: Site) -> tuple[str, ...]:
        # A battery on the DC side shifts AC output in time: such a site is not judged on AC (design: pv_power).
        return tuple(i.id for i in site.inverters if i.storage is not Storage.DC and site.arrays_of(i.id))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = ac_power(scene, subject)
        expectation = scene.expected.by_subject.get(subject)
        if found is None or expectation is None:
            return unknown(scene, self.name, subject, CODES[0])
        power, known_ms = found
        both = ~np.isnan(power) & ~np.isnan(expectation.expected) & (scene.expected.basis != Basis.NONE)
        both &= scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")
        bounds = {day: self._bounds(scene, day) for day in scene.settling}
        known_ms = np.maximum(known_ms, scene.expected.known_ms)
        margin = partial(self._margin, scene)
        stood = _stood_from_ms(scene, subject, bounds)
        columns = _Columns(power, expectation.expected, expectation.bound, both, known_ms, bounds, margin, stood)

        n, start_ms = scene.window.points, scene.window.start_ms
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        onset, onset_low, onset_high, units, withdrawn = (np.zeros(n, dtype=np.int64) for _ in range(5))
        loss, arrears = np.zeros(n), np.zeros(n)
        facts: dict[int, Mapping[str, str | float]] = {}
        figures: list[DayFigure] = []
        on_file = _on_file(scene.site, subject)
        past = self._past(scene, subject, on_file)

        for point_ms, settling, again in _settle_points(scene):
            at = scene.window.index_of(point_ms)
            days = self._days_known(scene, subject, columns, point_ms, past)
            newest = [day for day in days if day.day in settling]
            figures += (self._figure(scene, subject, day, point_ms, on_file) for day in newest)
            judged = [day for day in days if day.status is not None]
            if newest and newest[-1].explained:
                code[at] = newest[-1].explained
            if not any(day.status is not None for day in newest):
                continue
            episode = _trailing(judged, _Status.LOW, _Status.BETWEEN)
            low = [day for day in episode if day.status is _Status.LOW]
            fine = _trailing(judged, _Status.FINE)
            observed[at], expected[at] = judged[-1].made_mwh / 1000.0, judged[-1].expected_mwh / 1000.0
            code[at] = 3
            if len(low) >= scene.limit(self.name, "days_low"):
                first = low[0]
                started, level, steady = _step(columns, first, judged[-1])
                strings = next((m for m in (2, 3, 4) if steady and abs(level - (m - 1) / m) < 0.06), 0)
                verdict[at], code[at], cause[at], units[at] = FAULT, 2, 1 if strings else 0, 1
                # What was lost before the days that settle here was told when they settled.
                loss[at] = sum(day.missing_mwh for day in low if day in newest and not again)
                arrears[at] = sum(day.missing_mwh for day in low) - loss[at]
                onset[at] = start_ms + GRID_MS * started
                onset_low[at], onset_high[at] = start_ms + GRID_MS * first.first, start_ms + GRID_MS * first.last
                if steady:
                    onset_low[at], onset_high[at] = onset[at] - 6 * GRID_MS, onset[at] + 6 * GRID_MS
                facts[at] = {"share": round(level, 3), "days": float(len(low)), "strings": float(strings)}
            elif len(fine) >= scene.limit(self.name, "days_fine"):
                verdict[at], code[at], units[at] = OK, 1, 1
            elif again and not low:
                # Said on poorer knowledge, not borne out by better: nothing was wrong since the last low day.
                verdict[at], code[at] = OK, 1
            if verdict[at] == OK and again and not low:
                before = [day.last for day in judged if day.status is _Status.LOW]
                withdrawn[at] = start_ms + GRID_MS * max(before, default=1)

        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=code, codes=CODES,
            cause=cause, cause_sets=((), ("step-fraction",)), observed=observed, expected=expected, unit="Wh",
            onset_ms=onset, onset_low_ms=onset_low, onset_high_ms=onset_high, loss_mwh=loss, arrears_mwh=arrears,
            loss_share=scene.limit(self.name, "loss_share"), evidence=lambda point: facts.get(point, {}),
            units=units, withdrawn_from_ms=withdrawn, figures=figures,
        )  # fmt: skip

    def _bounds(self, scene: Scene, day: date) -> tuple[int, int]:
        start_ms, end_ms = local_day(day, scene.site.zone)
        return (start_ms - scene.window.start_ms) // GRID_MS, (end_ms - scene.window.start_ms) // GRID_MS

    def _past(self, scene: Scene, subject: str, on_file: float) -> list[float]:
        """Ratios of the days before the window that were judged and not low, under the facts of today."""
        first = min((day for day in scene.settling if self._bounds(scene, day)[0] >= 0), default=None)
        return [
            figure.values["made_wh"] / figure.values["allowed_wh"]
            for figure in scene.past.get((self.name, subject), ())
            if first is not None
            and figure.day < first
            and figure.values["on_file"] == on_file
            and figure.values["status"] > _Status.LOW.value
        ][-USUAL_DAYS:]

    def _figure(self, scene: Scene, subject: str, day: _Day, point_ms: int, on_file: float) -> DayFigure:
        values = {"on_file": on_file, "status": 0.0}
        if day.status is not None:
            values |= {
                "status": day.status.value,
                "made_wh": day.made_mwh / 1000.0,
                "allowed_wh": day.allowed_mwh / 1000.0,
            }
        revision = scene.settling[day.day].index(point_ms) + 1
        return DayFigure(self.name, subject, day.day, revision, point_ms, values)

    def _days_known(
        self, scene: Scene, subject: str, columns: _Columns, point_ms: int, past: Sequence[float]
    ) -> list[_Day]:
        """The civil days that lie inside the window and have settled by a point, with what was known then."""
        peak_w = sum(array.peak_power_w for array in scene.site.arrays_of(subject))
        least_mwh = scene.limit(self.name, "least_day_share") * FULL_SUMMER_DAY_H * peak_w * 1000.0
        ratios = list(past)
        days: list[_Day] = []
        for day, points in scene.settling.items():
            start, end = columns.bounds[day]
            if start < 0 or points[0] > point_ms:
                continue
            made, allowed, seen, whole, margin = columns.sums(day, point_ms)
            known = min(end, scene.window.index_of(point_ms) + 1)
            if (start, known) not in columns.explained:
                columns.explained[start, known] = self._explained(scene, subject, slice(start, end), known)
            explained = columns.explained[start, known]
            if columns.stood_from_ms.get(day, point_ms + 1) <= point_ms:
                explained = 4
            if explained or not (seen >= 0.5 * whole > 0.0 and allowed >= least_mwh):
                days.append(_Day(day, start, end, made, allowed, allowed, explained, None, float("nan")))
                continue
            usual = 1.0
            if len(ratios) >= FEWEST_USUAL_DAYS:
                usual = min(max(upper_quartile(ratios[-USUAL_DAYS:]), 0.8), 1.2)
            share = made / allowed / usual
            status = _Status.BETWEEN  # hysteresis: well again is more than just above the line
            if share < 1.0 - margin:
                status = _Status.LOW
            elif share >= 1.0 - margin / 2:
                status = _Status.FINE
            if status is not _Status.LOW:  # or a loss that lasts would become usual, and its alert clear itself
                ratios.append(made / allowed)
            days.append(_Day(day, start, end, made, allowed, usual * allowed, 0, status, share))
        return days

    def _explained(self, scene: Scene, subject: str, part: slice, known: int) -> int:
        """known: the interval up to which verdicts are known"""
        for (finding, about), judgement in scene.judged.items():
            if finding not in EXPLAINERS or about.partition(".")[0] != subject:
                continue
            # At fault on that day, or before it and not found well since: a dull day proves nothing either way.
            told = np.flatnonzero(judgement.verdict[: part.start] != UNKNOWN)
            standing = len(told) > 0 and judgement.verdict[told[-1]] == FAULT
            if standing or (judgement.verdict[part.start : known] == FAULT).any():
                return 4
        air = scene.expected.temp_air[part]
        cold = bool((~np.isnan(air)).any()) and float(np.nanmean(air)) < scene.limit(self.name, "snow_below_degc")
        return 5 if cold else 0

    def _margin(self, scene: Scene, part: slice, chosen: Bools) -> float:
        """The margin of the poorest basis that serves at least a quarter of the day."""
        basis = scene.expected.basis[part][chosen]
        share = {
            kind: float(np.mean(basis == kind)) if len(basis) else 0.0 for kind in (Basis.WEATHER, Basis.SATELLITE)
        }
        if share[Basis.WEATHER] >= 0.25:
            return scene.limit(self.name, "margin_weather")
        if share[Basis.SATELLITE] >= 0.25:
            return scene.limit(self.name, "margin_satellite")
        return scene.limit(self.name, "margin_measured")


def _on_file(site: Site, subject: str) -> float:
    """A number of the facts an inverter's expectation rests on: days judged under other facts are no measure."""
    return float(crc32(repr((site.inverter(subject), site.arrays_of(subject))).encode()))


def _stood_from_ms(scene: Scene, subject: str, bounds: Mapping[date, tuple[int, int]]) -> dict[date, int]:
    """A verdict at a point of a day may have been out of reach then: sunshine can come after the day."""
    judgement = scene.judged.get((Finding.NO_GENERATION, subject))
    if judgement is None or judgement.fault_known_ms is None:
        return {}
    found: dict[date, int] = {}
    for day, (start, end) in bounds.items():
        known_ms = judgement.fault_known_ms[max(start, 0) : max(end, 0)]
        if (known_ms > 0).any():
            found[day] = int(known_ms[known_ms > 0].min())
    return found


def _settle_points(scene: Scene) -> Iterator[tuple[int, frozenset[date], bool]]:
    """Points inside the window at which days settle, which ones, and whether any of them does so again."""
    end_ms = scene.window.start_ms + scene.window.points * GRID_MS
    by_point: dict[int, set[tuple[date, int]]] = {}
    for day, points in scene.settling.items():
        for revision, point_ms in enumerate(points):
            if scene.window.start_ms < point_ms <= end_ms:
                by_point.setdefault(point_ms, set()).add((day, revision))
    for point_ms, settling in sorted(by_point.items()):
        yield point_ms, frozenset(day for day, _ in settling), any(revision for _, revision in settling)


def _trailing(days: Sequence[_Day], *statuses: _Status) -> list[_Day]:
    """The last days in a row whose status is one of these."""
    kept: list[_Day] = []
    for day in reversed(days):
        if day.status not in statuses:
            break
        kept.insert(0, day)
    return kept


def _step(columns: _Columns, first: _Day, last: _Day) -> tuple[int, float, bool]:
    """Where in the first low day the ratio stepped down, its level since, and whether it has been steady.

    The split of that day's strong intervals that leaves the least squares on both sides.
    """
    power, expected = columns.power, columns.expected
    strong = columns.both & (expected > 0.25 * np.nanmax(expected[first.first : last.last]))
    where = np.flatnonzero(strong[first.first : last.last]) + first.first
    if len(where) < 12:
        return first.first, last.share, False
    ratio = power[where] / expected[where]
    in_first = int(np.sum(where < first.last))
    best, split = np.inf, 0
    for k in range(in_first):
        head, tail = ratio[:k], ratio[k:in_first]
        cost = (float(np.var(head)) * len(head) if len(head) else 0.0) + float(np.var(tail)) * len(tail)
        if cost < best - 1e-12:
            best, split = cost, k
    since = ratio[split:]
    low, high = np.quantile(since, (0.1, 0.9))
    return int(where[split]), float(np.median(since)), bool(high - low < 0.15)
