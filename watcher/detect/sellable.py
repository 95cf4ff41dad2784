"""Power that may always be sent out: what an export limit cannot touch, and when panels beside a full battery are held.

Rule: what is made and what is expected are cut alike, so that a fault still shows in what is left.
"""

from __future__ import annotations

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.scene import Scene
from watcher.detect.states import State, known_ms, values
from watcher.domain.site import Storage

AT_RATING = 0.97
"""Of an inverter's rating: what it gives there is as much as it can."""


def sellable(scene: Scene, inverter: str, power: Floats) -> Floats:
    """The same power up to the export limit. [W] With several inverters each has its share by panels."""
    limit_w, site = scene.site.export_limit_w, scene.site
    if limit_w is None:
        return power
    whole = sum(array.peak_power_w for array in site.arrays)
    share = sum(array.peak_power_w for array in site.arrays_of(inverter)) / whole
    return np.minimum(power, limit_w * share)


def held_at_rating(scene: Scene, inverter: str) -> tuple[Bools, Ints]:
    """Where an inverter with a battery on its DC side holds its panels: the battery takes no more, and the AC side is
    full; and when that may be used. What is expected of the panels there knows of neither, so such intervals tell
    nothing of them.
    """
    facts = scene.site.inverter(inverter)
    if facts.storage is not Storage.DC:
        return np.zeros(scene.window.points, dtype=bool), scene.window.ends()
    channels = f"{inverter}.ac_power", f"{inverter}.operating_state"
    power, states = (values(scene, name) for name in channels)
    full = (power >= AT_RATING * facts.ac_limit_w) | (states == State.THROTTLED)
    return np.asarray(full), known_ms(scene, channels)
