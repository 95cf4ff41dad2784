"""Readings that a person types from the meter's display once a month, one of them mistyped.

Rule: they are told as events (`typed-reading`), never as rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.trial.calendar import Year
from tests.bench.trial.plan import Fault
from watcher.align.window import Floats
from watcher.domain.instant import GRID_MS, POINTS_A_DAY


@dataclass(frozen=True, slots=True)
class Typed:
    """energy_index_wh: None where the display could not be read. mistyped: it is not what stood there"""

    at_ms: int
    energy_index_wh: float | None
    mistyped: bool = False


def typed_readings(
    year: Year, index_wh: Floats | None, faults: dict[Fault, slice], rng: np.random.Generator
) -> tuple[Typed, ...]:
    if index_wh is None:
        return ()
    places = [int((30 * n + rng.uniform(0, 3)) * POINTS_A_DAY) for n in range(1, 12)]
    places = [place for place in places if place < year.points]
    if not places:
        return ()
    wrong = {int(rng.integers(len(places)))}
    for fault, part in faults.items():
        if fault.finding == "reading-doubtful":  # the first one in it, or the next after it
            wrong.add(next((n for n, place in enumerate(places) if place >= part.start), len(places) - 1))
    found: list[Typed] = []
    for n, place in enumerate(places):
        value: float | None = float(np.floor(index_wh[place] / 1000.0) * 1000.0)
        if n in wrong:
            value = (value or 0.0) + float(rng.choice([-1e6, 9e5, 1e7]))
        for fault, part in faults.items():
            inside = part.start <= place < part.stop
            if place >= part.start and fault.finding == "meter-display-drift":  # and no display goes back afterwards
                value = (value or 0.0) + 0.04 * float(index_wh[min(place, part.stop - 1)] - index_wh[part.start])
            if inside and fault.finding == "meter-unreadable":
                value = None
        found.append(Typed(year.begin_ms + place * GRID_MS, value, n in wrong and value is not None))
    return tuple(found)
