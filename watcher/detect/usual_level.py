"""What an inverter usually makes of what its equipment and the sun allow, and how sure that is.

Rule: learned by `output-low` from whole days that nothing explains; others who must say what a fault costs take it
from the figures it has kept, so that a rating on file that promises too much is not counted as a loss.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import exp

import numpy as np

from watcher.align.window import Floats
from watcher.detect.level_days import before, on_file
from watcher.detect.scene import Scene, upper_quartile
from watcher.domain.finding import Finding

USUAL_DAYS, FEWEST_USUAL_DAYS = 30, 3
LEAST, MOST = 0.8, 1.2
"""Of the nameplate: a plant further from it after a few days has an entry to be asked about."""

NAMEPLATE_ERROR, YOUNG_ERROR = 0.08, 0.05
"""Standard deviation of healthy plants' levels about their nameplates, and about the quartile of a few days (own
study)."""

CLINGING = 1.36
"""By which a mean of days errs more where a day resembles the one before, with a correlation of 0.3: the root of
(1 + r) / (1 - r). (correlation measured on a real roof, as in tests/bench/limits.py)"""

HALF_OF_90 = 1.645
"""Half-width of a Gaussian's middle 90 % in standard deviations."""


@dataclass(frozen=True, slots=True)
class UsualLevel:
    """factor: made of allowed. error: of it, relative standard deviation"""

    factor: float = 1.0
    error: float = NAMEPLATE_ERROR


def usual_ratio(ratios: list[float]) -> float:
    """Made of allowed as it usually is, by the newest of the days that were not low; 1 while they are too few."""
    if len(ratios) < FEWEST_USUAL_DAYS:
        return 1.0
    return min(max(upper_quartile(ratios[-USUAL_DAYS:]), LEAST), MOST)


def usual_level(scene: Scene, inverter: str, drift: float) -> UsualLevel:
    """By the days kept so far. drift: what a healthy level may move in a day's square root"""
    return scene.once(("usual level", inverter, drift), lambda: _usual_level(scene, inverter, drift))


def _usual_level(scene: Scene, inverter: str, drift: float) -> UsualLevel:
    kept = scene.past.get((Finding.OUTPUT_LOW, inverter), ())
    past = before(kept, on_file(scene.site, inverter), date.max)
    if (level := past.state.level) is not None:
        return UsualLevel(exp(level.log), level.error(drift))
    if len(past.ratios) < FEWEST_USUAL_DAYS:
        return UsualLevel()
    return UsualLevel(usual_ratio(list(past.ratios)), YOUNG_ERROR)


def half_width(level_error: float, day_error: Floats | float, days: Floats | float, share: float = 1.0) -> Floats:
    """Relative half-width of the 90 % interval of a loss, from the errors behind it.

    level_error: of the level it is held against. day_error: of one day's reference. days: it has lasted, parts of a
    day too. share: lost of what could be made; a small share of something uncertain is the more uncertain
    """
    of_days = CLINGING * day_error / np.sqrt(np.maximum(days, 0.25))
    return HALF_OF_90 * np.hypot(level_error, of_days) / max(share, 0.01)
