"""The weather of a region and of one roof in it: real days in a new order, shifted and roughened from place to place.

Rule: neighbours share their days and most of their hours; what blows over one comes to the next a little later and a
little different. Beam and diffuse are made here, by the Boland-Ridley-Lauret split with noise, which no watcher uses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.trial.calendar import Sun, Year
from tests.bench.trial.measured_sky import MeasuredSky, clear_ghi
from watcher.align.window import Floats

BLOCK_DAYS = (4, 15)
"""Days taken in their own order at a time: persistence from day to day is then real."""

SEASON_DAYS = 20
MOST_KC, LEAST_KC = 1.25, 0.02


@dataclass(frozen=True, slots=True)
class Region:
    """kc, temp_air, wind: by hour of mean solar time. aod, water_cm: haze by day."""

    kc: Floats
    temp_air: Floats
    wind: Floats
    aod: Floats
    water_cm: Floats
    shared_seed: int


@dataclass(frozen=True, slots=True)
class Weather:
    """On the grid. ghi, dni, dhi, clear [W/m2]; kc: global over clear; temp_air [degC]; wind [m/s]"""

    ghi: Floats
    dni: Floats
    dhi: Floats
    clear: Floats
    kc: Floats
    temp_air: Floats
    wind: Floats


def region_weather(sky: MeasuredSky, year: Year, rng: np.random.Generator) -> Region:
    days: list[int] = []
    wanted = year.day_of_year()
    while len(days) < year.days + 2:
        day = int(wanted[min(len(days), year.days - 1)])
        apart = np.abs((sky.day_of_year - day + 182) % 365 - 182)
        first = int(rng.choice(np.flatnonzero(apart <= SEASON_DAYS)))
        length = int(rng.integers(*BLOCK_DAYS))
        days += list(range(first, min(first + length, len(sky.day_of_year))))
    taken = np.array(days[: year.days + 2])
    haze = np.exp(_autoregressive(rng, year.days, 0.8, 0.45))
    season = -np.cos(2.0 * np.pi * (wanted - 15) / 365.0)
    return Region(
        kc=sky.kc[taken].ravel(),
        temp_air=sky.temp_air[taken].ravel(),
        wind=sky.wind[taken].ravel(),
        aod=np.clip(0.10 * haze, 0.03, 0.4),
        water_cm=np.clip(1.5 + 0.9 * season, 0.4, 3.0),
        shared_seed=int(rng.integers(2**31)),
    )


def site_weather(
    sky: MeasuredSky,
    region: Region,
    year: Year,
    sun: Sun,
    longitude_deg: float,
    lag_hours: float,
    rng: np.random.Generator,
) -> Weather:
    """lag_hours: how much later the region's clouds pass this roof."""
    hours = year.solar_hours(longitude_deg) - lag_hours + 1.0
    at = np.clip(hours, 0.0, len(region.kc) - 1.001)
    hour = at.astype(np.int64)
    own = _autoregressive(rng, len(region.kc), 0.5, 1.0)
    broken = np.exp(-(((region.kc - 0.6) / 0.3) ** 2))
    kc_hour = np.clip(region.kc * np.exp(0.16 * broken * own), 0.03, 1.12)
    shape = _shapes_of(sky, region, kc_hour, rng)
    kc = np.clip(kc_hour[hour] * shape[hour, ((at - hour) * 12).astype(np.int64)], LEAST_KC, MOST_KC)
    day = np.repeat(np.arange(year.days), 288)
    clear = clear_ghi(sun.elevation_deg, region.aod[day], region.water_cm[day])
    ghi = np.where(sun.up, kc * clear, 0.0)
    dni, dhi = split(ghi, kc, sun, year, longitude_deg, rng)
    whole = np.arange(len(region.kc))
    temp_air = np.interp(at, whole, region.temp_air) + rng.normal(0.0, 0.5)
    wind = np.interp(at, whole, region.wind)
    return Weather(ghi, dni, dhi, clear, kc, temp_air, wind)


def _shapes_of(sky: MeasuredSky, region: Region, kc_hour: Floats, rng: np.random.Generator) -> Floats:
    """A measured hour like each of these; every second one is the region's own, so that neighbours flicker alike."""
    order = np.argsort(sky.hour_kc)
    shared = np.random.default_rng(region.shared_seed)
    count = len(kc_hour)
    place = np.searchsorted(sky.hour_kc[order], kc_hour)
    near = shared.integers(-6, 7, count)
    near = np.where(rng.random(count) < 0.5, near, rng.integers(-6, 7, count))
    return sky.shapes[order[np.clip(place + near, 0, len(order) - 1)]]


def split(
    ghi: Floats, kc: Floats, sun: Sun, year: Year, longitude_deg: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Beam normal and diffuse horizontal. [W/m2] Coefficients: Ridley, Boland and Lauret 2010 (from memory)."""
    flat = np.maximum(sun.outside * sun.height, 1e-6)
    kt = np.clip(np.where(sun.height > 0.02, ghi / flat, 0.3), 0.0, 1.1)
    day_kt = (
        ghi.reshape(year.days, 288).sum(axis=1) / np.maximum(flat.reshape(year.days, 288).sum(axis=1), 1.0)
    ).repeat(288)
    before, after = np.roll(kt, 12), np.roll(kt, -12)
    steady = 0.5 * (before + after)
    solar = year.solar_hours(longitude_deg) % 24.0
    part = -5.38 + 6.63 * kt + 0.006 * solar - 0.007 * sun.elevation_deg + 1.75 * day_kt + 1.31 * steady
    noise = np.repeat(_autoregressive(rng, len(kt) // 6 + 1, 0.7, 0.05), 6)[: len(kt)]
    diffuse = np.clip(1.0 / (1.0 + np.exp(part)) + noise, 0.05, 1.0)
    # A cloud edge's extra light is diffuse: beam is never more than a clean clear sky's.
    most = 0.78 * sun.outside * np.minimum(sun.height / 0.25 + 0.15, 1.0)
    dni = np.where(
        sun.height > 0.03, np.minimum((1.0 - diffuse) * ghi / np.maximum(sun.height, 0.03), most + 100.0), 0.0
    )
    return dni, np.maximum(ghi - dni * sun.height, 0.0)


def _autoregressive(rng: np.random.Generator, count: int, rho: float, sd: float) -> Floats:
    """A series with this standard deviation and correlation of neighbours."""
    drawn = rng.normal(0.0, sd * np.sqrt(1.0 - rho**2), count)
    found = np.empty(count)
    last = rng.normal(0.0, sd)
    for n in range(count):
        last = rho * last + drawn[n]
        found[n] = last
    return found
