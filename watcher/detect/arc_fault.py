"""arc-fault: the inverter's own detector has heard an electric arc on the DC side.

An arc in DC wiring does not go out by itself and burns. Nothing but the device can hear it, and its word is enough.
"""

from __future__ import annotations

from watcher.detect.by_event import by_event
from watcher.detect.scene import Judgement, Scene
from watcher.detect.states import Bit, InputBit, said
from watcher.domain.finding import Finding
from watcher.domain.site import Site


class ArcFault:
    name = Finding.ARC_FAULT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        shown, heard = said(scene, subject, (Bit.ARC_DETECTED,), (InputBit.ARC_DETECTED,))
        return by_event(scene, self.name, subject, heard, shown)
