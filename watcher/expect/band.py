"""How sure an expectation is: low and high, between which about 90 % of a healthy plant's 5-minute values lie.

Rule: an honest band before a narrow one. Errors of irradiance are ratios, so the band is one: expected / f to
expected x f, and never narrower than 2 % of the rating. Numbers are our own study's unless a line says otherwise;
tests/expect/test_measured_light.py measures the first against sensors.
"""

from __future__ import annotations

from math import hypot

import numpy as np
import numpy.typing as npt

from watcher.align.window import Bools, Floats
from watcher.expect.expectation import Basis

LOWER_FACTOR = {Basis.MEASURED: 0.9, Basis.PEERS: 0.53, Basis.SATELLITE: 0.65, Basis.WEATHER: 0.5}
"""low / expected at good sun and middling cloud, per basis."""

FULL_SUN_DEG = 15.0
"""Above this sun height the width is the basis's own. Below it grows, to 2.5 times at the horizon."""

LOW_SUN_FACTOR = 2.5

TEMP_UNKNOWN_WIDTH = 0.04
"""Added where the air temperature had to be assumed: 10 K out, at -0.37 %/K (own arithmetic)."""

FLOOR_OF_RATING = 0.02


DAY_SIGMA = {
    Basis.MEASURED: (0.042, 0.020),
    Basis.PEERS: (0.13, 0.08),
    Basis.SATELLITE: (0.18, 0.095),
    Basis.WEATHER: (0.31, 0.19),
}
"""Standard deviation of ln(made / expected) of whole healthy days, level taken out: with the noon sun at 15 degrees
and at 50, under a sky of middling cloud. Of peers: of mixed planes, some tens of kilometres around (simulated)."""

CLOUD = {Basis.PEERS: (1.6, 1.1)}
USUAL_CLOUD = (1.25, 0.5)
"""Share of that at no clearness, and what of it goes with full clearness: neighbours share a clear sky, not a cloud."""

LOW_NOON_DEG, HIGH_NOON_DEG = 15.0, 50.0


DARK_DAY = 0.0075
"""What is out by the same energy on every day (an inverter that wakes late, a sensor's zero), of a good summer day: on
a dark day that is much."""


def day_sigma(basis: Basis, noon_deg: float, clearness: float, day_share: float = 1.0) -> float:
    """Of the log ratio of one day.

    noon_deg: the sun's greatest height. clearness: by the reference [0..1]. day_share: energy allowed, of what a good
    summer day gives
    """
    low, high = DAY_SIGMA[basis]
    share = min(max((noon_deg - LOW_NOON_DEG) / (HIGH_NOON_DEG - LOW_NOON_DEG), 0.0), 1.0)
    dull, less = CLOUD.get(basis, USUAL_CLOUD)
    by_light = (low + (high - low) * share) * (dull - less * min(max(clearness, 0.0), 1.0))
    return hypot(by_light, DARK_DAY / max(day_share, 0.01))


def log_width(
    basis: npt.NDArray[np.int8], elevation_deg: Floats, clearness: Floats, in_own_plane: Bools, temp_assumed: Bools
) -> Floats:
    """Half the band as a logarithm, ln f; NaN without a basis.

    clearness: irradiance over clear-sky irradiance, horizontal; only satellite and weather depend on it, by
        1.25 - 0.5 clearness: a clear hour is known better than a broken one
    in_own_plane: measured in the very plane, so neither split nor transposed: low sun adds nothing
    """
    own = np.full(len(basis), np.nan)
    for one, factor in LOWER_FACTOR.items():
        own[basis == one] = -np.log(factor)
    low_sun = 1.0 + (LOW_SUN_FACTOR - 1.0) * np.clip(1.0 - elevation_deg / FULL_SUN_DEG, 0.0, 1.0)
    cloud = np.where(basis == Basis.MEASURED, 1.0, 1.25 - 0.5 * np.clip(clearness, 0.0, 1.0))
    return own * np.where(in_own_plane, 1.0, low_sun) * cloud + np.where(temp_assumed, TEMP_UNKNOWN_WIDTH, 0.0)


def band(expected: Floats, width: Floats, rating_w: float) -> tuple[Floats, Floats]:
    """(low, high) around an expectation. [W] NaN where either is; low never below 0."""
    floor = FLOOR_OF_RATING * rating_w
    low = np.minimum(expected * np.exp(-width), expected - floor)
    high = np.maximum(expected * np.exp(width), expected + floor)
    return np.maximum(low, 0.0), high
