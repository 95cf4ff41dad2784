"""Power that may always be sent out: what an export limit cannot touch, whatever the house leaves over.

Rule: what is made and what is expected are cut alike, so that a fault still shows in what is left.
"""

from __future__ import annotations

import numpy as np

from watcher.align.window import Floats
from watcher.detect.scene import Scene


def sellable(scene: Scene, inverter: str, power: Floats) -> Floats:
    """The same power up to the export limit. [W] With several inverters each has its share by panels."""
    limit_w, site = scene.site.export_limit_w, scene.site
    if limit_w is None:
        return power
    whole = sum(array.peak_power_w for array in site.arrays)
    share = sum(array.peak_power_w for array in site.arrays_of(inverter)) / whole
    return np.minimum(power, limit_w * share)
