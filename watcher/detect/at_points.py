"""A judgement of what is said at single points: where a person told something, or once a day.

Rule: all other points are unknown. Nothing of it costs energy by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene
from watcher.domain.day import DayFigure
from watcher.domain.event import Event
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, first_point_that_sees


@dataclass(frozen=True, slots=True)
class Said:
    """verdict: UNKNOWN, OK or FAULT. onset_ms: since when, at a FAULT"""

    verdict: int
    cause: str = ""
    onset_ms: int = 0
    facts: Mapping[str, str | float] = field(default_factory=dict)


def at_points(
    scene: Scene, finding: Finding, subject: str, said: Mapping[int, Said], figures: Sequence[DayFigure] = ()
) -> Judgement:
    """said: by interval of the window."""
    n = scene.window.points
    verdict, cause = np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int8)
    onset, zero, nan = np.zeros(n, dtype=np.int64), np.zeros(n), np.full(n, np.nan)
    causes = [(), *sorted({(one.cause,) for one in said.values() if one.cause})]
    ends = scene.window.ends()
    for at, one in said.items():
        verdict[at] = one.verdict
        if one.verdict == FAULT:
            cause[at] = causes.index((one.cause,)) if one.cause else 0
            onset[at] = min(one.onset_ms, int(ends[at]))
    names = {UNKNOWN: f"{finding}.nothing-said", OK: f"{finding}.well", FAULT: f"{finding}.found"}
    return Judgement(
        finding=finding,
        subject=subject,
        verdict=verdict,
        code=verdict,
        codes=tuple(names[place] for place in range(3)),
        cause=cause,
        cause_sets=tuple(causes),
        observed=nan,
        expected=nan,
        unit="",
        onset_ms=onset,
        onset_low_ms=onset,
        onset_high_ms=onset,
        loss_mwh=zero,
        arrears_mwh=zero,
        loss_share=0.0,
        evidence=lambda point: said[point].facts if point in said else {},
        figures=figures,
    )


def told_points(scene: Scene, subject: str) -> Iterator[tuple[int, list[Event]]]:
    """Intervals asked for at whose point something said of a device is first seen, with all that was said by then."""
    about = [event for event in scene.events if event.subject == subject]
    seen = sorted({scene.window.index_of(first_point_that_sees(event.received_ms)) for event in about})
    for at in seen:
        if scene.asked_from <= at < scene.window.points:
            yield at, said_by(scene, about, at)


def midnights(scene: Scene) -> Iterator[int]:
    """Intervals asked for that end at a midnight UTC."""
    first = -(-scene.window.start_ms // DAY_MS) * DAY_MS
    for end_ms in range(first + DAY_MS, scene.window.start_ms + scene.window.points * GRID_MS + 1, DAY_MS):
        if scene.asked_from <= (at := scene.window.index_of(end_ms)):
            yield at


def said_by(scene: Scene, events: Sequence[Event], at: int) -> list[Event]:
    """Of some events those that are seen at the point of an interval."""
    point_ms = scene.window.start_ms + GRID_MS * (at + 1)
    return [event for event in events if first_point_that_sees(event.received_ms) <= point_ms]
