"""The civil day on which another inverter stands in: by the site file's date, or by what was said.

Rule: someone is at work on that day, and it is no fault that nothing is made or heard meanwhile. It explains as much as
a day's work takes, not what is still off tomorrow.
"""

from __future__ import annotations

import numpy as np

from watcher.align.window import Bools
from watcher.detect.scene import Scene
from watcher.domain.event import EventKind
from watcher.domain.instant import GRID_MS, local_day, local_day_of


def exchange_day(scene: Scene, inverter: str) -> Bools:
    """Intervals of the days on which an inverter was exchanged."""
    window, zone = scene.window, scene.site.zone
    begun_ms = scene.site.inverter(inverter).from_ms
    told = [begun_ms] if begun_ms else []
    told += [
        event.at_ms for event in scene.events if event.kind is EventKind.METER_EXCHANGE and event.subject == inverter
    ]
    found = np.zeros(window.points, dtype=bool)
    for at_ms in told:
        first, stop = ((ms - window.start_ms) // GRID_MS for ms in local_day(local_day_of(at_ms, zone), zone))
        found[max(first, 0) : max(stop, 0)] = True
    return found
