"""How sure an expected sum over weeks, a quarter or years is, with the site's own level taken out.

Rule: errors of days average out, slow ones do not: what a reference errs by for a season or a year stays however many
days are added up. The days' errors are band.DAY_SIGMA. The slow ones are wider than a simulation shows: a real plant
beside a good sensor of its own strayed by a tenth within a year (tests/real/test_readings_of_real_plants.py).
"""

from __future__ import annotations

import numpy as np

from watcher.align.window import Floats
from watcher.expect.band import DAY_SIGMA, HIGH_NOON_DEG, LOW_NOON_DEG
from watcher.expect.expectation import Basis

DAYS_ALIKE = 0.3
"""Correlation of one day's error with the next day's: measured on real sums 0.28 to 0.34."""

SLOW = {
    Basis.MEASURED: (0.05, 0.03),
    Basis.SATELLITE: (0.06, 0.035),
    Basis.WEATHER: (0.08, 0.05),
    Basis.PEERS: (0.08, 0.05),
    Basis.NONE: (0.17, 0.10),
}
"""Standard deviation of the share a season is out by and no averaging takes away, in midwinter (snow, fog, low sun
behind what stands around) and in summer. NONE: against a typical sky, so it is what British quarters differ by."""

UNKNOWN_DAYS = 0.4
"""Of one day against a typical sky."""


def sum_sigma(basis: Basis, days: Floats, noon_deg: Floats) -> Floats:
    """Standard deviation of made / expected - 1 of healthy sums.

    days: length of each. noon_deg: the sun's greatest height in the middle of each
    """
    summer = np.clip((noon_deg - LOW_NOON_DEG) / (HIGH_NOON_DEG - LOW_NOON_DEG), 0.0, 1.0)
    low, high = DAY_SIGMA.get(basis, (UNKNOWN_DAYS, UNKNOWN_DAYS))
    slow_low, slow_high = SLOW[basis]
    alike = (1.0 + DAYS_ALIKE) / (1.0 - DAYS_ALIKE)
    by_day = (low + (high - low) * summer) * np.sqrt(alike / np.maximum(days, 1.0))
    slow = slow_low + (slow_high - slow_low) * summer
    return np.asarray(np.hypot(by_day, slow))
