"""The weather of years over a fleet, hour by hour: regions, cells of a grid in them, and what a satellite says of it.

Rule: the sky is the simulated home's (sun.py, sky.py) in columns, so nothing here is shared with what judges. Cells of
a region have their days in common; what an archive says of a cell errs by day, by season, by year and for good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.align.window import Floats, Ints
from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.simulate.sun import J2000_MS, SOLAR_CONSTANT_WM2

SHARES = ((0.17, 0.38, 0.45), (0.31, 0.45, 0.24))
"""Of clear, broken and overcast days, in midwinter and midsummer (roughly England; no source)."""

KEEPS = 0.45
"""Chance that a day is of the kind of the day before."""

KIND_CLEARNESS = (0.98, 0.60, 0.27)
KIND_SPREAD = (0.035, 0.17, 0.085)


@dataclass(frozen=True, slots=True)
class Cell:
    """A place whose sunshine one row of an archive tells of."""

    id: str
    region: int
    latitude_deg: float
    longitude_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class CellSky:
    """Hours in a row, the sun at the middle of each.

    elevation_deg, azimuth_deg, extra_dni: see simulate.sun. clear, ghi, dni, dhi [W/m2]. temp_air [degC], wind [m/s]
    """

    hour_ending_ms: Ints
    elevation_deg: Floats
    azimuth_deg: Floats
    extra_dni: Floats
    clear: Floats
    ghi: Floats
    dni: Floats
    dhi: Floats
    temp_air: Floats
    wind: Floats


@dataclass(frozen=True, slots=True)
class ArchiveErrors:
    """How an archive of past sunshine errs; standard deviations of the logarithm. season: for a cell, winter against
    summer. cell: for good. year: of each year anew. (Sizes: common practice of satellite archives, no source.)
    """

    day_summer: float = 0.10
    day_winter: float = 0.19
    season: float = 0.03
    season_mean: float = 0.02
    cell: float = 0.025
    year: float = 0.012


def hours_of(from_ms: int, until_ms: int) -> Ints:
    """Ends of the hours of a stretch between midnights."""
    return np.arange(from_ms + HOUR_MS, until_ms + 1, HOUR_MS, dtype=np.int64)


def region_clearness(ends: Ints, rng: np.random.Generator) -> Floats:
    """Of a region, by hour: global irradiance over that of a clear sky."""
    days = len(ends) // 24
    year = np.arange(days) / 365.2425 + float(ends[0] % round(365.2425 * DAY_MS)) / (365.2425 * DAY_MS)
    summer = 0.5 - 0.5 * np.cos(2.0 * np.pi * (year + 10.0 / 365.0))
    mood = _autoregressive(rng, days, 0.93, 0.08)  # spells of weeks, or a month would be like every other
    kinds, kind = np.empty(days, dtype=np.int64), 1
    low, high = np.array(SHARES)
    for day, (chance, stays) in enumerate(zip(rng.random(days), rng.random(days), strict=True)):
        if stays > KEEPS:
            shares = low + (high - low) * summer[day]
            clear = max(0.03, shares[0] + mood[day])
            dull = max(0.05, shares[2] - mood[day])
            kind = 0 if chance < clear else 2 if chance > 1.0 - dull else 1
        kinds[day] = kind
    spread = np.asarray(KIND_SPREAD)[kinds].repeat(24)
    middle = np.asarray(KIND_CLEARNESS)[kinds].repeat(24) + rng.normal(0.0, 0.05, days).repeat(24)
    return np.clip(middle + spread * _autoregressive(rng, len(ends), 0.7, 1.0), 0.05, 1.08)


def cell_sky(cell: Cell, ends: Ints, region: Floats, rng: np.random.Generator) -> CellSky:
    """What really came down on a cell: the region's sky, roughened."""
    elevation, azimuth, extra = sun_columns(ends - HOUR_MS // 2, cell.latitude_deg, cell.longitude_deg)
    broken = np.exp(-(((region - 0.6) / 0.3) ** 2))
    own = np.exp(broken * (0.14 * _autoregressive(rng, len(ends), 0.6, 1.0) + 0.10 * _by_day(rng, len(ends))))
    clearness = np.clip(region * own, 0.04, 1.10)
    sine = np.sin(np.radians(np.maximum(elevation, 0.0)))
    air_mass = 1.0 / (sine + 0.50572 * (np.maximum(elevation, 0.0) + 6.07995) ** -1.6364)
    haze = np.exp(_autoregressive(rng, len(ends) // 24, 0.8, 0.03)).repeat(24)
    beam = extra * 0.65 ** (air_mass**0.678) * haze
    dome = 0.12 * extra * sine**0.9
    clear = np.where(elevation > 0.0, beam * sine + dome, 0.0)
    ghi = clearness * clear
    share = np.divide(dome, clear, out=np.ones_like(clear), where=clear > 0.0)
    hidden = np.clip((1.0 - clearness) / 0.65, 0.0, 1.0)
    dhi = ghi * np.minimum(share + (1.0 - share) * hidden**2 * (3.0 - 2.0 * hidden), 1.0)
    dni = np.where(sine > 0.02, (ghi - dhi) / np.maximum(sine, 0.02), 0.0)
    return CellSky(ends, elevation, azimuth, extra, clear, ghi, np.minimum(dni, beam), dhi, *_air(ends, clearness, rng))


def told(sky: CellSky, errors: ArchiveErrors, rng: np.random.Generator) -> Floats:
    """The hourly global irradiance that an archive holds for the cell. [W/m2]"""
    hours = len(sky.ghi)
    noon = sky.elevation_deg.reshape(-1, 24).max(axis=1)
    summer = np.clip((noon - 15.0) / 35.0, 0.0, 1.0)
    by_day = (errors.day_winter + (errors.day_summer - errors.day_winter) * summer) * _autoregressive(
        rng, hours // 24, 0.3, 1.0
    )
    season = (errors.season_mean + errors.season * rng.normal()) * (0.5 - summer)
    by_year = np.repeat(rng.normal(0.0, errors.year, hours // 8760 + 2), 8766)[:hours]
    off = (by_day + season).repeat(24) + by_year + rng.normal(0.0, errors.cell) + rng.normal(0.0, 0.12, hours)
    return np.asarray(np.round(np.minimum(sky.ghi * np.exp(off), 1.15 * sky.clear), 1))


def sun_columns(at_ms: Ints, latitude_deg: float, longitude_deg: float) -> tuple[Floats, Floats, Floats]:
    """(elevation, azimuth, irradiance above the air): simulate.sun in columns, refraction left out."""
    days = (at_ms - J2000_MS) / DAY_MS
    anomaly = np.radians((357.528 + 0.9856003 * days) % 360)
    ecliptic = np.radians((280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly)) % 360)
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    hour = np.radians((280.46061837 + 360.98564736629 * days + longitude_deg) % 360) - ascension
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour)
    azimuth = np.arctan2(-np.sin(hour), np.tan(declination) * np.cos(latitude) - np.sin(latitude) * np.cos(hour))
    distance = 1.00014 - 0.01671 * np.cos(anomaly) - 0.00014 * np.cos(2 * anomaly)
    elevation = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    return elevation, np.degrees(azimuth) % 360.0, SOLAR_CONSTANT_WM2 / distance**2


def _air(ends: Ints, clearness: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    # A central English year, roughly (no source): 4 degC in January, 16.5 in July, warmest at 15 h.
    season = np.cos(2.0 * np.pi * (ends / (365.2425 * DAY_MS) % 1.0 - 0.56))
    hour = ends % DAY_MS / HOUR_MS
    swing = (1.5 + 5.0 * clearness) * (0.75 + 0.25 * season)
    warm = 2.5 * _autoregressive(rng, len(ends) // 24, 0.75, 1.0).repeat(24)
    temp_air = 10.2 + 6.3 * season + warm + swing * np.cos(np.pi / 12.0 * (hour - 15.0))
    wind = np.maximum(0.3, 3.0 + 0.8 * np.cos(np.pi / 12.0 * (hour - 14.0)) + 1.2 * _by_day(rng, len(ends)))
    return temp_air, wind


def _by_day(rng: np.random.Generator, hours: int) -> Floats:
    return rng.normal(size=hours // 24).repeat(24)


def _autoregressive(rng: np.random.Generator, count: int, keep: float, sd: float) -> Floats:
    """Of first order with this standard deviation, by blocks of the kernel: what was, fades by the power of its age."""
    length = int(np.ceil(np.log(1e-4) / np.log(keep)))
    kernel = keep ** np.arange(length)
    drawn = rng.normal(size=count + length - 1)
    found: Floats = np.convolve(drawn, kernel / np.sqrt(np.sum(kernel**2)), mode="valid") * sd
    return found
