"""Days that settle at points that are asked for, and days as figures keep them: for who judges whole days by figures.

Rule: what is kept of a day is what was known of it at the point at which it settled; a day that settles again stands in
place of itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from typing import NamedTuple

from watcher.detect.scene import Scene
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day


class Settling(NamedTuple):
    """One civil day that settles at point_ms, as interval `at` is judged. part: its intervals in the window"""

    point_ms: int
    at: int
    day: date
    revision: int
    part: slice


class Kept(NamedTuple):
    """days: all figures under the facts in force up to this day, ascending. own: of the day itself, None where nothing
    is kept of it. values: those of its own figure, to be added to: later days find them there
    """

    settling: Settling
    days: Sequence[DayFigure]
    own: DayFigure | None
    values: dict[str, float]


def settling(scene: Scene) -> Iterator[Settling]:
    """In order of points; days that lie whole in the window."""
    window = scene.window
    found = []
    for day, points in scene.settling.items():
        start_ms, end_ms = local_day(day, scene.site.zone)
        first, stop = (start_ms - window.start_ms) // GRID_MS, (end_ms - window.start_ms) // GRID_MS
        if first < 0 or stop > window.points:
            continue
        for revision, point_ms in enumerate(points, start=1):
            at = window.index_of(point_ms)
            if scene.asked_from <= at < window.points:
                found.append(Settling(point_ms, at, day, revision, slice(first, stop)))
    yield from sorted(found, key=lambda one: (one.point_ms, one.day))


def kept_days(
    scene: Scene, finding: Finding, subject: str, facts: float, figure_of: Callable[[Settling], dict[str, float] | None]
) -> Iterator[Kept]:
    """For each day that settles the figures of all days up to it.

    facts: a number of what is on file; of days judged under other facts nothing is kept. figure_of: what is kept of a
    day as known at its point, None where there is nothing to keep
    """
    kept = {one.day: one for one in scene.past.get((finding, subject), ()) if one.values.get("on_file") == facts}
    for one in settling(scene):
        found = figure_of(one)
        values = {"on_file": facts, **(found or {})}
        own = DayFigure(finding, subject, one.day, one.revision, one.point_ms, values) if found is not None else None
        if own is not None:
            kept[one.day] = own
        yield Kept(one, [kept[day] for day in sorted(kept) if day <= one.day], own, values)
