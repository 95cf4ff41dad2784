"""reading-doubtful: somebody's reading of a display does not go with what the meter said otherwise.

Rule: where the register is read automatically as well, a reading is held against it at once. Elsewhere it takes the
next one: what cannot be right is undone by it. Two that agree are no slip. What was asked about when it was typed, and
not answered, is nobody's word and raises nothing (case B5).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from watcher.align.entry_check import Known, still_odd
from watcher.align.typed import MeterLife, TypedReading
from watcher.detect.at_points import Said, at_points, told_points
from watcher.detect.dial import Held, good_readings, held, life_in_force
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, unknown
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.site import Site


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reading that does not fit, and where the display must have stood. [Wh] None where nobody knows"""

    reading: TypedReading
    likely_wh: float | None


class ReadingDoubtful:
    name = Finding.READING_DOUBTFUL

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(meter.id for meter in site.meters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        if not any(event.subject == subject and event.kind is EventKind.TYPED_READING for event in scene.events):
            return unknown(scene, self.name, subject, f"{self.name}.nothing-typed")
        said = {at: self._said(scene, subject, events) for at, events in told_points(scene, subject)}
        return at_points(scene, self.name, subject, said)

    def _said(self, scene: Scene, meter: str, events: Sequence[Event]) -> Said:
        readings = good_readings(events, meter)
        if len(readings) < 2:
            return Said(UNKNOWN)
        beside = held(scene, meter, readings)
        steps = scene.limit(self.name, "least_wh"), scene.limit(self.name, "share")
        if np.isnan(beside[-1].shown_wh):
            doubt = undone(readings, life_in_force(scene, events, meter))
        else:
            doubt = beside_the_register(beside, *steps).doubt
        if doubt is None:
            return Said(OK)
        reading = doubt.reading
        facts: dict[str, str | float] = {"typed_kwh": reading.index_wh / 1000.0, "typed_ms": float(reading.at_ms)}
        if doubt.likely_wh is not None:
            facts["likely_kwh"] = doubt.likely_wh / 1000.0
        return Said(FAULT, onset_ms=reading.at_ms, facts=facts)


@dataclass(frozen=True, slots=True)
class Chain:
    """believed: readings that move with the register, from where it last began anew. doubt: of the newest reading"""

    believed: Sequence[Held]
    doubt: Doubt | None


def beside_the_register(readings: Sequence[Held], least_wh: float, share: float) -> Chain:
    """Which readings move as the register does, one after the other; those of which it is not known are left out.

    least_wh: what the two may differ by; share: of what was counted since
    """
    believed: list[Held] = []
    doubted: list[Held] = []
    for one in readings:
        if np.isnan(one.shown_wh):
            continue
        if not believed or one.shown_wh < believed[-1].shown_wh:  # the register began anew
            believed, doubted = [one], []
        elif _near(one, believed[-1], least_wh, share):
            believed, doubted = [*believed, one], []
        elif doubted and _near(one, doubted[-1], least_wh, share):
            believed, doubted = [doubted[-1], one], []  # twice the same is no slip
        else:
            doubted.append(one)
    if not doubted or doubted[-1].reading is not readings[-1].reading:
        return Chain(believed, None)
    newest, base = doubted[-1], believed[-1]
    return Chain(believed, Doubt(newest.reading, base.reading.index_wh + newest.shown_wh - base.shown_wh))


def undone(readings: Sequence[TypedReading], life: MeterLife) -> Doubt | None:
    """Whether the newest reading undoes the one before it: that one cannot be right, and the newest goes with those
    before.
    """
    if len(readings) < 3:
        return None
    *earlier, doubted, newest = readings
    around = [*earlier, newest]
    odd = still_odd(doubted, life, around, Known())
    fits = still_odd(newest, life, earlier, Known()) is None
    return Doubt(doubted, None) if odd is not None and fits else None


def _near(one: Held, base: Held, least_wh: float, share: float) -> bool:
    counted_wh = one.shown_wh - base.shown_wh
    moved_wh = one.reading.index_wh - base.reading.index_wh
    return abs(moved_wh - counted_wh) <= max(least_wh, share * counted_wh)
