"""meter-display-drift: what is read of a meter automatically is not what its display counts; and asks for a look at it.

Rule: pulses and telegrams are not the register that pays. The display's own readings are held against them from one to
the next, and two stretches that agree are believed. Where somebody is paid by it a look at the display is asked for at
the end of each quarter, of the trade, once.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from watcher.detect.at_points import Said, at_points, midnights, said_by, told_points
from watcher.detect.dial import good_readings, held, proofs, register
from watcher.detect.reading_doubtful import beside_the_register
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, unknown
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day, local_day_of
from watcher.domain.site import Scheme, Site

CHECK_DUE = "display-check-due"


class MeterDisplayDrift:
    name = Finding.METER_DISPLAY_DRIFT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(meter.id for meter in site.meters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        if register(scene, subject) is None:
            return unknown(scene, self.name, subject, f"{self.name}.not-read")
        about = [event for event in scene.events if event.subject == subject]
        said = {at: self._said(scene, subject, events, at) for at, events in told_points(scene, subject)}
        if scene.site.payment.scheme is not Scheme.NONE:
            for at in midnights(scene):
                said[at] = self._said(scene, subject, said_by(scene, about, at), at)
        return at_points(scene, self.name, subject, said, tuple(proofs(scene, subject)))

    def _said(self, scene: Scene, meter: str, events: Sequence[Event], at: int) -> Said:
        drift = self._drift(scene, meter, events)
        if drift.verdict == FAULT:
            return drift
        due_ms = self._due_ms(scene, events, at)
        if due_ms:
            return Said(FAULT, CHECK_DUE, due_ms, _serial(scene, meter))
        return drift

    def _drift(self, scene: Scene, meter: str, events: Sequence[Event]) -> Said:
        """Of the last three readings that go with the register at all."""
        least = scene.limit(Finding.READING_DOUBTFUL, "least_wh"), scene.limit(Finding.READING_DOUBTFUL, "share")
        beside = beside_the_register(held(scene, meter, good_readings(events, meter)), *least).believed
        if len(beside) < 3:
            return Said(OK)
        first, middle, last = beside[-3:]
        growth = [new.shown_wh - old.shown_wh for old, new in ((first, middle), (middle, last))]
        moved = [new.reading.index_wh - old.reading.index_wh for old, new in ((first, middle), (middle, last))]
        if min(growth) < scene.limit(self.name, "least_wh"):
            return Said(UNKNOWN)
        off = [m - g for m, g in zip(moved, growth, strict=True)]
        limit = scene.limit(self.name, "share") * sum(growth) + scene.limit(self.name, "step_wh")
        if abs(sum(off)) > limit and off[0] * off[1] > 0 and min(map(abs, off)) > 0.3 * limit:
            facts = {"drift_kwh": sum(off) / 1000.0, "drift_percent": 100.0 * sum(off) / sum(growth)}
            return Said(FAULT, "", first.reading.at_ms, facts | _serial(scene, meter))
        return Said(OK if abs(off[1]) <= 0.5 * limit else UNKNOWN)

    def _due_ms(self, scene: Scene, events: Sequence[Event], at: int) -> int:
        """Since when a look at the display has been due; 0 where it is not, or where it is too late for the quarter."""
        site = scene.site
        if site.payment.scheme is Scheme.NONE:
            return 0
        today = local_day_of(scene.window.start_ms + GRID_MS * (at + 1), site.zone)
        ahead = timedelta(days=scene.limit(self.name, "ask_days"))
        end = _quarter_end(today + ahead)
        if today > end + timedelta(days=scene.limit(self.name, "late_days")):
            return 0
        looked = [event.at_ms for event in events if event.kind in (EventKind.TYPED_READING, EventKind.SEEN)]
        fresh_ms = local_day(end - timedelta(days=scene.limit(self.name, "fresh_days")), site.zone)[0]
        return 0 if max([0, *looked]) >= fresh_ms else local_day(end - ahead, site.zone)[0]


def _serial(scene: Scene, meter: str) -> dict[str, str | float]:
    return {"serial": scene.site.meter(meter).serial}


def _quarter_end(day: date) -> date:
    """The last end of a quarter of the year not after a day."""
    month = 3 * ((day.month - 1) // 3) + 1
    begun = date(day.year, month, 1)
    next_day = day + timedelta(days=1)
    return day if next_day.day == 1 and next_day.month % 3 == 1 else begun - timedelta(days=1)
