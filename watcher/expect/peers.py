"""What neighbouring plants tell of the sky: from the power of each to the clearness over it, and the middle of them.

Rule: a plant is a poor sensor with a plane of its own, so its power is led back to the horizontal by its own facts, and
only the clearness travels. Then plants of any plane can tell of each other (measured: tests/bench/trial; the power as a
share of clear-sky power, which is not led back, errs a third more in winter). Each plant's clearness is taken at
its own level, so that it does not matter who of them is there; the middle of at least three is what they say.

Heat is not known over there, so it is left in: the plant that is judged is expected at the same air (day.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from watcher.align.window import Bools, Floats, Window
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS
from watcher.domain.neighbours import FEWEST, QUARTER_MS
from watcher.domain.site import Inverter, Site, Storage
from watcher.expect.geometry import Sky, plane_under, sky_of_day
from watcher.expect.irradiance import Split, split, transpose
from watcher.expect.plant import (
    SYSTEM_LOSS,
    TEMP_AIR_DEFAULT,
    WIND_DEFAULT_MS,
    array_dc,
    cell_temperature,
    power_by_subject,
)

QUARTERS = DAY_MS // QUARTER_MS
_STEPS = QUARTER_MS // GRID_MS

LEVELS = np.linspace(0.0, 1.2, 17)
"""Clearness (global horizontal over that of a clear sky) at which a plant's power is reckoned; cloud edges reach 1.2.
"""

POWER_ERROR, OPEN_SHARE = 0.03, 0.2
"""A plant some per cent out that leaves more than a fifth of a clear sky open tells nothing: its plane is turned away.
"""

LEAST_SUN_DEG = 6.0
UNDER_LIMIT = 0.96
"""Of an inverter's rating: above it the limit speaks and not the sky."""

LIT_SHARE, NOTHING_SHARE = 0.01, 0.002
"""Of the rating: so much under heavy cloud keeps it awake. Up to the other share is nothing."""

BURIED_SHARE = 0.33
"""Of what a very dull sky leaves, so a fortieth of a clear one: the blackest cloud lets more through (common practice,
no source), so that the sky alone cannot be what keeps a plant dark."""

LEVEL_DAYS, FEWEST_LEVEL_DAYS = 30, 5
FURTHEST_LEVEL = 0.5
"""A plant further than this [ln] from the others has a wrong entry, or is half dead: it is left out."""

SURE_SHARE = 0.3
"""Of a clear day's light: a day of which less is known tells nothing about a level."""


@dataclass(frozen=True, slots=True)
class Told:
    """What one plant told, by quarter of an hour.

    clearness: NaN where it told nothing. weight: the clear sky's light, for means over a day
    lit: it must generate under all but the blackest cloud, and was heard or should have been
    dark: of that, it made nothing, or less than any cloud leaves, as under snow
    """

    clearness: Floats
    weight: Floats
    lit: Bools
    dark: Bools

    def day_means(self) -> Floats:
        """Clearness of each whole day; NaN where too little of it is known."""
        weight = self.weight.reshape(-1, QUARTERS)
        known = np.where(np.isfinite(self.clearness), self.weight, 0.0).reshape(-1, QUARTERS)
        seen, total = known.sum(axis=1), weight.sum(axis=1)
        sums = np.sum(known * np.nan_to_num(self.clearness).reshape(-1, QUARTERS), axis=1)
        enough = (seen > SURE_SHARE * total) & (sums > 0.0)
        return np.asarray(np.divide(sums, seen, out=np.full(len(seen), np.nan), where=enough))


def tells(site: Site) -> bool:
    """Whether a plant's output is the sky's: nothing between the two holds it back or stores it."""
    free = site.export_limit_w is None and all(one.storage is not Storage.DC for one in site.inverters)
    return free and bool(generating(site))


def generating(site: Site) -> tuple[Inverter, ...]:
    """The inverters that modules end at."""
    return tuple(inverter for inverter in site.inverters if site.arrays_of(inverter.id))


def quarters_of_day(site: Site, day_start_ms: int) -> Sky:
    """The sky at the middle of each quarter of a UTC day, which is the middle of its middle interval."""
    return sky_of_day(site.latitude_deg, site.longitude_deg, site.altitude_m, day_start_ms).every(_STEPS, _STEPS // 2)


def power_of(window: Window, inverter: Inverter) -> Floats:
    """AC power on the grid: read, or the slope of the inverter's own counter. [W]"""
    gauge = window.gauge(f"{inverter.id}.ac_power")
    if gauge is not None:
        return gauge.value
    counter = window.counter(f"{inverter.id}.ac_energy")
    if counter is not None:
        return counter.energy_mwh / (GRID_MS / HOUR_MS * 1000.0)
    return np.full(window.points, np.nan)


def told(site: Site, sky: Sky, powers: Sequence[Floats], listened: Bools) -> Told:
    """What a plant that `tells` told over whole quarters.

    sky: at the middle of each quarter
    powers: of each of its `generating` inverters, by interval; NaN where unheard [W]
    listened: by interval, whether we were there to hear
    """
    count, inverters = len(sky.ghi), generating(site)
    rows = [power.reshape(count, _STEPS) for power in powers]
    made = [_mean(row) for row in rows]
    table = _table(site, sky)
    up = sky.elevation_deg > LEAST_SUN_DEG
    rating_w = sum(inverter.ac_limit_w for inverter in inverters)
    lit = up & (table[:, _HEAVY] > LIT_SHARE * rating_w)

    sees, nothing, unheard = up.copy(), np.ones(count, dtype=bool), np.ones(count, dtype=bool)
    for inverter, row, power in zip(inverters, rows, made, strict=True):
        none_w, most_w = NOTHING_SHARE * inverter.ac_limit_w, UNDER_LIMIT * inverter.ac_limit_w
        heard = np.isfinite(row).sum(axis=1)
        with np.errstate(invalid="ignore"):
            sees &= (heard > _STEPS // 2) & (power > none_w) & (power < most_w)
            nothing &= power <= none_w
        unheard &= heard == 0
    there = listened.reshape(count, _STEPS).all(axis=1)
    with np.errstate(invalid="ignore"):
        buried = np.sum(made, axis=0) < BURIED_SHARE * table[:, _DULL]
    return Told(
        clearness=np.where(sees, _led_back(np.sum(made, axis=0), table), np.nan),
        weight=np.where(up, sky.ghi, 0.0),
        lit=lit & (~unheard | there),
        dark=lit & (nothing | buried | (unheard & there)),
    )


def levels(means: Mapping[str, Sequence[float]]) -> dict[str, float]:
    """How much more each plant says than the middle of all, as ln; left out where it is too far from them.

    means: by plant the clearness of the same days, the newest last; NaN where it told none
    """
    if not means:
        return {}
    by_day = np.log(np.array([list(days)[-LEVEL_DAYS:] for days in means.values()], dtype=np.float64))
    enough = np.isfinite(by_day).sum(axis=0) >= FEWEST
    found: dict[str, float] = {}
    middle = np.full(by_day.shape[1], np.nan)
    if enough.any():
        middle[enough] = np.nanmedian(by_day[:, enough], axis=0)
    for name, row in zip(means, by_day, strict=True):
        apart = (row - middle)[np.isfinite(row) & np.isfinite(middle)]
        # A plant nobody knows yet is believed as it stands on file.
        level = float(np.median(apart)) if len(apart) >= FEWEST_LEVEL_DAYS else 0.0
        if abs(level) < FURTHEST_LEVEL:
            found[name] = level
    return found


def middle(clearness: Sequence[Floats], level: Sequence[float]) -> Floats:
    """What plants say together, each at its own level; NaN where fewer than FEWEST say anything."""
    rows = np.array([row / np.exp(own) for row, own in zip(clearness, level, strict=True)], dtype=np.float64)
    if rows.size == 0:
        return np.full(QUARTERS, np.nan)
    found = np.full(rows.shape[1], np.nan)
    enough = np.isfinite(rows).sum(axis=0) >= FEWEST
    if enough.any():
        found[enough] = np.nanmedian(rows[:, enough], axis=0)
    return np.asarray(np.minimum(found, LEVELS[-1]))


_DULL, _HEAVY = 1, 2
"""Of the levels: as dark as it gets, and as it does under heavy cloud."""


def _mean(rows: Floats) -> Floats:
    """Of each row what is known; NaN where nothing is."""
    count = np.isfinite(rows).sum(axis=1)
    return np.asarray(np.divide(np.nansum(rows, axis=1), count, out=np.full(len(rows), np.nan), where=count > 0))


def _table(site: Site, sky: Sky) -> Floats:
    """AC power of a whole plant by quarter and level of clearness. [W]"""
    tall = sky.repeated(len(LEVELS))
    light = split(tall, np.outer(sky.ghi, LEVELS).ravel(), Split.ERBS)
    dc: dict[str, Floats] = {}
    for array in site.arrays:
        found = transpose(plane_under(tall, array.tilt_deg, array.azimuth_deg), light)
        air, wind = np.full(len(found.total), TEMP_AIR_DEFAULT), np.full(len(found.total), WIND_DEFAULT_MS)
        cell = cell_temperature(array.mounting, found.total, air, wind)
        dc[array.id] = array_dc(array, found.effective, cell, SYSTEM_LOSS)
    return np.nan_to_num(power_by_subject(site, dc)["site"]).reshape(len(sky.ghi), len(LEVELS))


def _led_back(power: Floats, table: Floats) -> Floats:
    """The clearness at which a plant makes this; NaN where that is left too open.

    With the sun behind its plane a plant makes more under haze than under a clear sky, so one power has two answers.
    """
    lowest: Floats = np.maximum.accumulate(table, axis=1)
    highest: Floats = np.minimum.accumulate(table[:, ::-1], axis=1)[:, ::-1]
    least, most = _at(power * (1.0 - POWER_ERROR), lowest), _at(power * (1.0 + POWER_ERROR), highest)
    with np.errstate(invalid="ignore"):
        return np.where(most - least <= OPEN_SHARE, _at(power, lowest), np.nan)


def _at(power: Floats, table: Floats) -> Floats:
    """By a straight line between the levels on either side; beyond the last level the last."""
    count = (table < power[:, None]).sum(axis=1)
    above = np.clip(count, 1, len(LEVELS) - 1)
    rows = np.arange(len(power))
    low, high = table[rows, above - 1], table[rows, above]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(high > low, (power - low) / (high - low), 1.0)
    found = LEVELS[above - 1] + (LEVELS[above] - LEVELS[above - 1]) * np.clip(share, 0.0, 1.0)
    return np.where(np.isfinite(power), found, np.nan)
