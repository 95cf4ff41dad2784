"""What is no fault and must not be called one: snow, fog, dirt, gaps, power cuts, sentinels, a busy household.

Rates a site-year: 3 gaps, 1 power cut and 0.5 snowfalls (of the whole region), 5 fog mornings, 5 sentinel values, one
mistyped reading. Curtailment, clipping and seasonal shade come with the roof.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.bench.trial.calendar import Year
from tests.bench.trial.weather import Region, Weather
from watcher.align.window import Bools, Floats

GAPS, SNOWFALLS, FOG_MORNINGS, SENTINELS = 3, 0.5, 5, 5


def leaves(year: Year) -> Floats:
    """0 bare, 1 in leaf, by interval."""
    day = year.day_of_year()
    return np.clip(np.minimum((day - 100) / 30.0, (315 - day) / 30.0), 0.0, 1.0).repeat(288)


def everyday_dirt(weather: Weather, year: Year, rng: np.random.Generator) -> Floats:
    """Share of light lost to dust that grows on fair days and is washed off by rainy ones; at most a few per cent."""
    kc = year.daily(weather.ghi) / np.maximum(year.daily(weather.clear), 1.0)
    found, level = np.empty(year.days), 0.01
    for day in range(year.days):
        level = 0.3 * level if kc[day] < 0.3 and rng.random() < 0.6 else level + 0.0007
        found[day] = min(level, 0.04)
    return found.repeat(288)


def snowfalls(region: Region, year: Year, rng: np.random.Generator) -> list[slice]:
    """Of a region: the days on which snow lies, as stretches of the grid."""
    cold = np.flatnonzero(region.temp_air[: 24 * year.days].reshape(year.days, 24).mean(axis=1) < 4.0)
    found = []
    for _ in range(int(rng.poisson(SNOWFALLS)) if len(cold) else 0):
        day = int(rng.choice(cold))
        found.append(slice(288 * day, 288 * min(day + int(rng.integers(1, 3)), year.days)))
    return found


def snow(weather: Weather, falls: list[slice], rng: np.random.Generator) -> tuple[Weather, Floats]:
    """The weather with its cold days, and the share of light that the cover takes on this roof."""
    cover = np.zeros(len(weather.ghi))
    air = weather.temp_air.copy()
    for part in falls:
        cover[part] = rng.uniform(0.93, 1.0)
        around = slice(max(0, part.start - 288), part.stop)
        air[around] = np.minimum(air[around], 1.5 + 0.1 * air[around])
    return replace(weather, temp_air=air), cover


def fog_mornings(year: Year, rng: np.random.Generator) -> Bools:
    """Of a region: the mornings of some autumn and winter days until noon."""
    day_of_year = year.day_of_year()
    dull = np.flatnonzero((day_of_year > 265) | (day_of_year < 80))
    days = rng.choice(dull, min(FOG_MORNINGS, len(dull)), replace=False)
    found = np.zeros((year.days, 288), dtype=bool)
    for day in days:
        found[day, : int(rng.integers(118, 150))] = True
    return found.ravel()


def in_fog(weather: Weather, fog: Bools) -> Weather:
    """The same weather with these intervals in fog: an eighth of the light, none of it straight."""
    ghi = np.where(fog, np.minimum(0.13 * weather.clear, weather.ghi), weather.ghi)
    kc = np.where(fog, np.minimum(0.13, weather.kc), weather.kc)
    return replace(weather, ghi=ghi, kc=kc, dni=np.where(fog, 0.0, weather.dni), dhi=np.where(fog, ghi, weather.dhi))


def power_cuts(year: Year, rng: np.random.Generator) -> list[slice]:
    """Of a region: intervals without mains."""
    found: list[slice] = []
    for _ in range(int(rng.poisson(1.0))):
        first = int(rng.integers(288, year.points - 600))
        found.append(slice(first, first + int(np.clip(rng.exponential(30.0), 6, 288))))
    return found


def gaps(year: Year, rng: np.random.Generator) -> list[slice]:
    """Intervals from which no reading of the site came: an hour to four days."""
    found: list[slice] = []
    for _ in range(int(rng.poisson(GAPS))):
        first = int(rng.integers(288, year.points - 1500))
        found.append(slice(first, first + int(np.exp(rng.uniform(np.log(12.0), np.log(1152.0))))))
    return found


def load_w(year: Year, rng: np.random.Generator) -> Floats:
    """What a household uses: a base, mornings and evenings, kettles."""
    hour = np.tile((np.arange(288) + 0.5) / 12.0, year.days)
    shape = 0.5 * np.exp(-(((hour - 7.5) / 1.5) ** 2)) + np.exp(-(((hour - 18.5) / 2.2) ** 2))
    daily = rng.gamma(6.0, 1.0 / 6.0, year.days).repeat(288)
    kettles = rng.gamma(0.35, 1.0, year.points) * 350.0 * (0.3 + shape)
    return np.asarray(180.0 + 500.0 * shape * daily + np.minimum(kettles, 6000.0))
