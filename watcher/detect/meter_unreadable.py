"""meter-unreadable: somebody stood before a meter, and its display showed nothing that can be read.

Rule: one person's word is enough, and the next good reading of the display ends it. What is read automatically says
nothing about a display.
"""

from __future__ import annotations

from collections.abc import Sequence

from watcher.detect.at_points import Said, at_points, told_points
from watcher.detect.dial import good_readings
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, unknown
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.site import Site


class MeterUnreadable:
    name = Finding.METER_UNREADABLE

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(meter.id for meter in site.meters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        if not any(event.subject == subject and _is_word(event) for event in scene.events):
            return unknown(scene, self.name, subject, f"{self.name}.nothing-said")
        said = {at: _said(scene, subject, events) for at, events in told_points(scene, subject)}
        return at_points(scene, self.name, subject, said)


def _is_word(event: Event) -> bool:
    return event.kind is EventKind.TYPED_READING and bool(event.values.get("unreadable"))


def _said(scene: Scene, meter: str, events: Sequence[Event]) -> Said:
    words = sorted(event.at_ms for event in events if _is_word(event))
    read = [one.at_ms for one in good_readings(events, meter)]
    changed = [event.at_ms for event in events if event.kind is EventKind.METER_EXCHANGE]
    since = [at_ms for at_ms in words if at_ms > max([0, *read, *changed])]
    if not since:
        return Said(OK if words else UNKNOWN)
    facts: dict[str, str | float] = {"serial": scene.site.meter(meter).serial, "times_said": float(len(since))}
    return Said(FAULT, onset_ms=since[0], facts=facts)
