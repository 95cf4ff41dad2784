"""A fault that comes and goes: told when it showed on enough days of the last few, and over after days fit to show it.

Rules: a day is measured with what was known at the point where it settles. A day on which it showed is held against
the plant, one that was fit to show it and did not is well, and any other proves nothing. Loss is the sum over the days
that count, and the onset the first of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Protocol

import numpy as np

from watcher.detect.scene import FAULT, OK, Judgement, Scene
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day


@dataclass(frozen=True, slots=True)
class Shown:
    """What one civil day showed. first: interval in which it began; -1 where it did not

    fit: whether the day would have shown it. lost_mwh: whole. figures: the day's own numbers
    """

    day: date
    first: int = -1
    fit: bool = False
    lost_mwh: float = 0.0
    figures: Mapping[str, float] = field(default_factory=dict)


class Measure(Protocol):
    def __call__(self, day: date, part: slice, point_ms: int) -> Shown:
        """The intervals of a day, by what was known at a point."""
        ...


Summary = Callable[[Sequence[Shown]], tuple[str, Mapping[str, str | float]]]
"""From the days on which it showed to their cause ("" for unknown) and the numbers a letter shows."""


def by_days(
    scene: Scene, finding: Finding, subject: str, measure: Measure, summary: Summary, causes: Sequence[str]
) -> Judgement:
    """Limits asked for: days, within_days, loss_share."""
    n, start_ms = scene.window.points, scene.window.start_ms
    verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
    onset, onset_low, onset_high, units = (np.zeros(n, dtype=np.int64) for _ in range(4))
    loss, arrears, nowhere = np.zeros(n), np.zeros(n), np.full(n, np.nan)
    facts: dict[int, Mapping[str, str | float]] = {}
    sets = ((), *((name,) for name in causes))
    needed = scene.limit(finding, "days")
    within = timedelta(days=scene.limit(finding, "within_days"))
    for point_ms, settling in _points(scene):
        at = scene.window.index_of(point_ms)
        newest = max(settling)
        part = _part(scene, newest)
        if part.start < 0:
            continue
        last = measure(newest, part, point_ms)
        if last.first < 0:  # what earlier days showed is of no account then
            if last.fit:
                verdict[at], code[at], units[at] = OK, 1, 1
            continue
        before = [
            measure(day, part, point_ms)
            for day, points in scene.settling.items()
            if newest - within < day < newest and points[0] <= point_ms and (part := _part(scene, day)).start >= 0
        ]
        shown = [day for day in (*before, last) if day.first >= 0]
        if len(shown) >= needed:
            verdict[at], code[at], units[at] = FAULT, 2, 1
            loss[at] = sum(_more_mwh(scene, measure, day, point_ms) for day in shown if day.day in settling)
            arrears[at] = sum(day.lost_mwh for day in shown) - loss[at]
            onset[at] = start_ms + GRID_MS * shown[0].first
            onset_low[at], onset_high[at] = onset[at] - GRID_MS, onset[at] + GRID_MS
            told, numbers = summary(shown)
            cause[at] = sets.index((told,) if told else ())
            facts[at] = {"days": float(len(shown)), **numbers}
    return Judgement(
        finding=finding, subject=subject, verdict=verdict, code=code,
        codes=(f"{finding}.not-judged", f"{finding}.not-shown", f"{finding}.days-shown"),
        cause=cause, cause_sets=sets, observed=nowhere, expected=nowhere.copy(), unit="Wh",
        onset_ms=onset, onset_low_ms=onset_low, onset_high_ms=onset_high, loss_mwh=loss, arrears_mwh=arrears,
        loss_share=scene.limit(finding, "loss_share"), evidence=lambda point: facts.get(point, {}), units=units,
    )  # fmt: skip


def _more_mwh(scene: Scene, measure: Measure, shown: Shown, point_ms: int) -> float:
    """What is known to be lost on a day that settles, beyond what was known when it settled before."""
    earlier = [settled_ms for settled_ms in scene.settling[shown.day] if settled_ms < point_ms]
    told = measure(shown.day, _part(scene, shown.day), earlier[-1]).lost_mwh if earlier else 0.0
    return max(shown.lost_mwh - told, 0.0)


def _part(scene: Scene, day: date) -> slice:
    start_ms, end_ms = local_day(day, scene.site.zone)
    return slice((start_ms - scene.window.start_ms) // GRID_MS, (end_ms - scene.window.start_ms) // GRID_MS)


def _points(scene: Scene) -> Iterator[tuple[int, set[date]]]:
    """Points at which days settle, and which. Those before the one asked for too: they explain days to others."""
    end_ms = scene.window.start_ms + scene.window.points * GRID_MS
    found: dict[int, set[date]] = {}
    for day, points in scene.settling.items():
        for point_ms in points:
            if scene.window.start_ms < point_ms <= end_ms:
                found.setdefault(point_ms, set()).add(day)
    yield from sorted(found.items())
