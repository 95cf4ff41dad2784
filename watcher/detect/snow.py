"""Where snow may lie on the panels: it explains darkness for some days, and nothing else.

Rule: cold over the last day or two; where no temperature is told, in the snow's own months (common practice, no
source).
"""

from __future__ import annotations

import numpy as np

from watcher.align.window import Bools
from watcher.detect.scene import Scene, trailing_sum
from watcher.domain.instant import GRID_MS, HOUR_MS

SNOW_MONTHS = (12, 1, 2, 3)


def snow_possible(scene: Scene, below_degc: float) -> Bools:
    """By interval. below_degc: mean of the air over a day or two under which it may"""
    air = scene.expected.temp_air
    known = ~np.isnan(air)
    cold = np.zeros(len(air), dtype=bool)
    for hours in (24, 48):
        count = int(hours * HOUR_MS // GRID_MS)
        present = trailing_sum(known.astype(float), count)
        mean = trailing_sum(np.nan_to_num(np.round(air, 2)), count) / np.maximum(present, 1.0)
        cold |= (present > 0) & (mean < below_degc)
    months = (scene.window.ends() - 1).astype("datetime64[ms]").astype("datetime64[M]").astype(int) % 12 + 1
    return np.where(present > 0, cold, np.isin(months, SNOW_MONTHS))


def snow_on(scene: Scene, day: slice, below_degc: float) -> bool:
    """Whether snow may lie on a day of these intervals. below_degc: mean of its air under which it may"""
    air = scene.expected.temp_air[day]
    if not np.isnan(air).all():
        return float(np.nanmean(air)) < below_degc
    began = scene.window.ends()[day][:1].astype("datetime64[ms]").astype("datetime64[M]").astype(int)
    return bool(np.isin(began % 12 + 1, SNOW_MONTHS).all())
