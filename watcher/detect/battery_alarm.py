"""battery-alarm: the battery's own electronics have raised an alarm, and the inverter passes it on.

No reading of ours shows what goes on inside a battery; only the word of its own electronics counts. It comes by the
event bit that a register map puts it to (SunSpec has none for it).
"""

from __future__ import annotations

from watcher.detect.by_event import by_event
from watcher.detect.scene import Judgement, Scene
from watcher.detect.states import Bit, said
from watcher.domain.finding import Finding
from watcher.domain.site import Site, Storage


class BatteryAlarm:
    name = Finding.BATTERY_ALARM

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters if inverter.storage is not Storage.NONE)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        shown, heard = said(scene, subject, (Bit.BATTERY_ALARM,))
        return by_event(scene, self.name, subject, heard, shown)
