"""A plant's own clear spells: hours in which its power runs so smoothly that only a clear sky can be over it.

Rule: smoothness is judged, never level, so that half a plant under a clear sky is smooth too. What such hours make of
a clear sky's power errs by a few per cent; on a day on which satellite or forecast err by ten or thirty, they say more.

After the idea of clear-period detection by Reno and Hansen 2016, applied to power; figures from our own study.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from statistics import median

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.expect.plant import BOUND_TEMP_AIR, GAMMA_PER_K

SPELL = 7
"""Intervals over which power must run smoothly: 35 minutes."""

SMOOTH_SHARE = 0.06
LEAST_SUN_DEG = 12.0
CLEAR_INDEX = 0.75
UNDER_LIMIT = 0.96
FEWEST_INTERVALS = 12
"""At least an hour of it."""

SIGMA = 0.035
"""Standard deviation of a day's clear ratio."""

OFFSET_DAYS, FEWEST_OFFSETS = 14, 4

AGREEING = 1.5
"""Standard deviations up to which the two tell of one thing; in one day of seven more by chance."""


def clear_ratio(
    power: Floats, bound: Floats, expected: Floats, temp_air: Floats, sun_deg: Floats, ac_limit_w: float, used: Bools
) -> float | None:
    """Median ratio of made to what a clear sky allows, over a day's clear spells; None where there are too few.

    All by interval [W, degC, degrees]. expected: by the reference, which must call the hour clear too. used: intervals
    that are known
    """
    found = spell_ratios(power, bound, expected, temp_air, sun_deg, ac_limit_w, used, CLEAR_INDEX)
    return None if found is None else found[0]


def spell_ratios(
    power: Floats, bound: Floats, expected: Floats, temp_air: Floats, sun_deg: Floats, ac_limit_w: float, used: Bools,
    clear_index: float = 0.0,
) -> tuple[float, float] | None:  # fmt: skip
    """Median ratios of made, and of what the reference expects, to what a clear sky allows, over a day's smooth spells.

    clear_index: what the reference must say of such a spell, as a share of a clear sky; 0 where it is not asked
    """
    clear = bound * (1.0 + GAMMA_PER_K * (np.where(np.isnan(temp_air), 12.0, temp_air) - BOUND_TEMP_AIR))
    lit = used & (sun_deg > LEAST_SUN_DEG) & (bound > 0.0) & (power > 0.0) & (power < UNDER_LIMIT * ac_limit_w)
    if int(lit.sum()) < FEWEST_INTERVALS + SPELL:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(lit, power / clear, np.nan)
        index = np.where(lit, expected / bound, np.nan)
    runs = np.lib.stride_tricks.sliding_window_view(ratio, SPELL)
    hours = np.lib.stride_tricks.sliding_window_view(index, SPELL)
    whole = np.isfinite(runs).all(axis=1)
    smooth = np.zeros(len(ratio), dtype=bool)
    found = runs[whole]
    spread = found.max(axis=1) - found.min(axis=1) if len(found) else np.zeros(0)
    quiet = (spread < SMOOTH_SHARE * np.median(found, axis=1)) & (hours[whole].mean(axis=1) > clear_index)
    # The middle of the spell: what lies at its edges may be the cloud that ended it.
    smooth[np.flatnonzero(whole)[quiet] + SPELL // 2] = True
    if int(smooth.sum()) < FEWEST_INTERVALS:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        said = expected[smooth] / clear[smooth]
    return float(np.median(ratio[smooth])), float(np.median(said))


def joined(log: float, sigma: float, clear_log: float, offsets: Sequence[float]) -> tuple[float, float]:
    """A day's log ratio by its reference, and what its clear hours say beside it, as one: (log, sigma).

    offsets: clear less reference on earlier days, newest last: the two stand on levels of their own. Where the two
    disagree by more than both may err, neither is as sure as it says (Birge 1932, from memory)
    """
    recent = offsets[-OFFSET_DAYS:]
    if len(recent) < FEWEST_OFFSETS:
        return log, sigma
    # A median is a quarter worse than a mean (common practice, no source).
    error = 1.25 * sqrt(sigma**2 + SIGMA**2) / sqrt(len(recent))
    own = sqrt(SIGMA**2 + error**2)
    weight = (1.0 / own**2) / (1.0 / own**2 + 1.0 / sigma**2)
    clear_log -= median(recent)
    apart = abs(clear_log - log) / sqrt(own**2 + sigma**2)
    # The offset's error holds for all days alike, so the joint error is not made smaller by it.
    error = sqrt(1.0 / (1.0 / own**2 + 1.0 / sigma**2))
    return (1.0 - weight) * log + weight * clear_log, error * max(apart / AGREEING, 1.0) ** 2
