"""A meter's display beside what is read of it automatically: readings typed from the one, held against the other.

Rule: what the register showed is taken from before a reading was typed. Each day keeps the last good reading of its
register as proof, and with a reading typed on it what the register showed then, since the next may be months away.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from watcher.align.typed import MeterLife, Standing, TypedReading, life_of, typed_readings
from watcher.align.window import Counter
from watcher.detect.scene import Scene
from watcher.detect.settled import settling
from watcher.domain.day import DayFigure
from watcher.domain.event import Event
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS
from watcher.domain.site import SiteRecord

KEPT_BY = Finding.METER_DISPLAY_DRIFT
FRESH_MS = HOUR_MS


class Held(NamedTuple):
    """A typed reading and what the register read automatically showed then. [Wh] NaN where that is not known"""

    reading: TypedReading
    shown_wh: float


def good_readings(events: Sequence[Event], meter: str) -> tuple[TypedReading, ...]:
    return tuple(one for one in typed_readings(events, meter) if one.standing is Standing.GOOD)


def life_in_force(scene: Scene, events: Sequence[Event], meter: str) -> MeterLife:
    """A meter's life by the facts in force."""
    site = scene.site
    return life_of(SiteRecord(site, site.arrays, site.inverters, site.meters, site.sensors), events, meter)


def register(scene: Scene, meter: str) -> Counter | None:
    """What is read of a meter without anybody looking: its index, else its pulses as they were counted."""
    index = scene.window.counter(f"{meter}.energy_index")
    if index is not None and not index.dials:
        return index
    return scene.window.counter(f"{meter}.pulse_count")


def held(scene: Scene, meter: str, readings: Sequence[TypedReading]) -> list[Held]:
    """Readings in order of time with what the register showed."""
    counter = register(scene, meter)
    kept = {
        (int(figure.values["typed_ms"]), figure.values["typed_wh"]): figure.values["shown_wh"]
        for figure in scene.past.get((KEPT_BY, meter), ())
        if "typed_ms" in figure.values
    }
    found = []
    for one in readings:
        shown_wh = np.nan if counter is None else _shown_wh(scene, counter, one.at_ms)
        found.append(Held(one, kept.get((one.at_ms, one.index_wh), np.nan) if np.isnan(shown_wh) else shown_wh))
    return found


def proofs(scene: Scene, meter: str) -> Iterator[DayFigure]:
    """What is kept of each day that settles: the last good reading, and one that was typed."""
    counter = register(scene, meter)
    if counter is None:
        return
    for one in settling(scene):
        end = one.part.stop - 1
        index_wh, seen_ms = float(counter.index_wh[end]), int(counter.seen_ms[end])
        if np.isnan(index_wh):
            continue
        values = {"index_wh": index_wh, "read_ms": float(seen_ms)}
        start_ms = scene.window.start_ms + GRID_MS * one.part.start
        typed = [
            (reading, shown_wh)
            for reading in good_readings(scene.events, meter)
            if start_ms <= reading.at_ms < scene.window.start_ms + GRID_MS * one.part.stop
            and not np.isnan(shown_wh := _shown_wh(scene, counter, reading.at_ms))
        ]
        if typed:
            reading, shown_wh = typed[-1]
            values |= {"typed_ms": float(reading.at_ms), "typed_wh": reading.index_wh, "shown_wh": shown_wh}
        yield DayFigure(KEPT_BY, meter, one.day, one.revision, one.point_ms, values)


def _shown_wh(scene: Scene, counter: Counter, at_ms: int) -> float:
    """What the register showed at the end of the interval before an instant; NaN where it was not heard lately."""
    before = (at_ms - scene.window.start_ms) // GRID_MS - 1
    if not 0 <= before < scene.window.points:
        return float("nan")
    end_ms = scene.window.start_ms + GRID_MS * (before + 1)
    # As it was shown, believed or not: a display that runs backwards is read as it stands.
    return float(counter.shown_wh[before]) if end_ms - counter.seen_ms[before] <= FRESH_MS else float("nan")
