"""output-low: over whole days an inverter makes clearly less than the sun and its equipment allow.

A simple day test: each usable civil day's ratio of made to expected, against this plant's own usual ratio, with a
margin that depends on how good the reference is. Judged once a day, when the day has settled. Days that another
finding already explains are not held against the plant. A steady simple fraction points to one of m strings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, ac_power, mwh, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day, local_day_of, settle_point
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
FULL_SUMMER_DAY_H = 5.0  # hours of full power of a good summer day in the UK (common practice, no source)


@dataclass(frozen=True, slots=True)
class _Day:
    """One civil day inside the window: intervals first..last-1, judged at interval `point`."""

    first: int
    last: int
    point: int
    made_mwh: float
    expected_mwh: float
    usable: bool
    explained: int
    margin: float

    @property
    def ratio(self) -> float:
        return self.made_mwh / self.expected_mwh if self.expected_mwh > 0 else float("nan")


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
        power, power_known_ms = found
        n = scene.window.points
        judged_ms = np.maximum(power_known_ms, scene.expected.known_ms)
        both = ~np.isnan(power) & ~np.isnan(expectation.expected) & (scene.expected.basis != Basis.NONE)
        both &= scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")

        verdict, code = np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int8)
        cause = np.zeros(n, dtype=np.int8)
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        onset, onset_low, onset_high = (np.zeros(n, dtype=np.int64) for _ in range(3))
        loss, arrears = np.zeros(n), np.zeros(n)
        facts: dict[int, Mapping[str, str | float]] = {}

        ratios: list[float] = []
        episode: list[_Day] = []
        for day in self._days(scene, subject, power, expectation.expected, expectation.bound, both, judged_ms):
            at = day.point
            if not day.usable or day.explained:
                code[at] = day.explained
                continue
            usual = float(np.clip(np.quantile(ratios, 0.75), 0.8, 1.2)) if len(ratios) >= 3 else 1.0
            ratios.append(day.ratio)
            share = day.ratio / usual
            observed[at], expected[at] = day.made_mwh / 1000.0, usual * day.expected_mwh / 1000.0
            if share >= 1.0 - day.margin:
                fine = share >= 1.0 - day.margin / 2  # hysteresis: well again, not just above the line
                verdict[at], code[at] = (OK, 1) if fine else (UNKNOWN, 3)
                if fine:
                    episode = []
                continue
            episode.append(day)
            first = episode[0]
            started, level, steady = _step(power, expectation.expected, both, first, day)
            strings = next((m for m in (2, 3, 4) if steady and abs(level / usual - (m - 1) / m) < 0.06), 0)
            verdict[at], code[at], cause[at] = FAULT, 2, 1 if strings else 0
            loss[at] = np.round(max(usual * day.expected_mwh - day.made_mwh, 0.0))
            arrears[at] = np.round(sum(max(usual * d.expected_mwh - d.made_mwh, 0.0) for d in episode[:-1]))
            onset[at] = scene.window.start_ms + GRID_MS * started
            onset_low[at] = scene.window.start_ms + GRID_MS * first.first
            onset_high[at] = scene.window.start_ms + GRID_MS * first.last
            if steady:
                onset_low[at], onset_high[at] = onset[at] - 6 * GRID_MS, onset[at] + 6 * GRID_MS
            facts[at] = {"share": round(level / usual, 3), "days": float(len(episode)), "strings": float(strings)}

        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=code, codes=CODES,
            cause=cause, cause_sets=((), ("step-fraction",)), observed=observed, expected=expected, unit="Wh",
            onset_ms=onset, onset_low_ms=onset_low, onset_high_ms=onset_high, loss_mwh=loss, arrears_mwh=arrears,
            loss_share=scene.limit(self.name, "loss_share"), evidence=lambda point: facts.get(point, {}),
        )  # fmt: skip

    def _days(
        self, scene: Scene, subject: str, power: Floats, expected: Floats, bound: Floats, both: Bools, judged_ms: Ints
    ) -> Iterator[_Day]:
        """The civil days that lie whole inside the window and have settled inside it."""
        window, site = scene.window, scene.site
        peak_w = sum(array.peak_power_w for array in site.arrays_of(subject))
        end_ms = window.start_ms + window.points * GRID_MS
        day = local_day_of(window.start_ms, site.zone) + timedelta(days=1)
        while (settled_ms := settle_point(day, site.zone)) <= end_ms:
            start, end = ((ms - window.start_ms) // GRID_MS for ms in local_day(day, site.zone))
            part = slice(start, end)
            chosen = both[part] & (judged_ms[part] <= settled_ms)
            made = float(np.sum(mwh(np.maximum(power[part][chosen], 0.0))))
            allowed = float(np.sum(mwh(expected[part][chosen])))
            seen, whole = float(np.sum(bound[part][chosen])), float(np.sum(bound[part]))
            usable = seen >= 0.5 * whole > 0.0
            usable &= allowed >= scene.limit(self.name, "least_day_share") * FULL_SUMMER_DAY_H * peak_w * 1000.0
            yield _Day(
                start, end, window.index_of(settled_ms), made, allowed, usable,
                self._explained(scene, subject, part), self._margin(scene, part, chosen),
            )  # fmt: skip
            day += timedelta(days=1)

    def _explained(self, scene: Scene, subject: str, part: slice) -> int:
        for (finding, about), judgement in scene.judged.items():
            if (
                finding in EXPLAINERS
                and about.partition(".")[0] == subject
                and (judgement.verdict[part] == FAULT).any()
            ):
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


def _step(power: Floats, expected: Floats, both: Bools, first: _Day, last: _Day) -> tuple[int, float, bool]:
    """Where in the first low day the ratio stepped down, its level since, and whether it has been steady.

    The split of that day's strong intervals that leaves the least squares on both sides.
    """
    strong = both & (expected > 0.25 * np.nanmax(expected[first.first : last.last]))
    where = np.flatnonzero(strong[first.first : last.last]) + first.first
    if len(where) < 12:
        return first.first, last.ratio, False
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
