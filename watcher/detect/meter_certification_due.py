"""meter-certification-due: a meter's certificate ends soon, or the two-yearly verification is due.

Rule: told once, a set time before, to those who can do something about it. Looked at once a day.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from watcher.align.meter_papers import papers_of
from watcher.detect.at_points import Said, at_points, midnights, said_by
from watcher.detect.scene import FAULT, OK, Judgement, Scene, unknown
from watcher.domain.event import Event
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, local_day, local_day_of
from watcher.domain.site import Meter, MeterRole, Scheme, Site

CERTIFICATE, VERIFICATION = "certificate-ends", "verification-due"


class MeterCertificationDue:
    name = Finding.METER_CERTIFICATION_DUE

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(meter.id for meter in site.meters if meter.role in (MeterRole.GENERATION, MeterRole.EXPORT))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        meter = scene.site.meter(subject)
        about = [event for event in scene.events if event.subject == subject]
        papers = papers_of(meter, about)
        if papers.certified_until is None and papers.verified_ms is None:
            return unknown(scene, self.name, subject, f"{self.name}.no-date")
        said = {at: self._said(scene, meter, said_by(scene, about, at), at) for at in midnights(scene)}
        return at_points(scene, self.name, subject, said)

    def _said(self, scene: Scene, meter: Meter, events: Sequence[Event], at: int) -> Said:
        papers, zone = papers_of(meter, events), scene.site.zone
        now_ms = scene.window.start_ms + GRID_MS * (at + 1)
        facts: dict[str, str | float] = {"serial": meter.serial}
        if papers.certified_until is not None:
            begin = papers.certified_until - timedelta(days=scene.limit(self.name, "certificate_days"))
            if local_day_of(now_ms, zone) >= begin:
                until = {"certified_until_ms": local_day(papers.certified_until, zone)[1] - 1.0}
                return Said(FAULT, CERTIFICATE, local_day(begin, zone)[0], facts | until)
        if papers.verified_ms is not None and scene.site.payment.scheme is Scheme.FEED_IN:
            ahead = scene.limit(self.name, "every_days") - scene.limit(self.name, "verification_days")
            due_ms = papers.verified_ms + int(ahead * DAY_MS)
            if now_ms >= due_ms:
                return Said(FAULT, VERIFICATION, due_ms, facts | {"verified_ms": float(papers.verified_ms)})
        return Said(OK)
