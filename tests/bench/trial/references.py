"""What a sensor, a satellite or a forecast says of the light, each with the errors of its kind.

Rule: errors of daily sums stay inside what judging-notes.md measured (tests/trial holds them to it): a sensor a few
per cent, a satellite 10 to 15, a forecast 19 to 30, worst in winter and under broken cloud.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.trial.calendar import Sun, Year
from tests.bench.trial.physics import muneer
from tests.bench.trial.plan import Basis
from tests.bench.trial.weather import Weather
from watcher.align.window import Floats, Ints
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS

FEATURES = {Basis.SATELLITE: (0.095, 0.15, 0.11), Basis.FORECAST: (0.21, 0.28, 0.24)}
"""Daily error in summer and in winter, hourly error: standard deviations of the logarithm."""


@dataclass(frozen=True, slots=True)
class Told:
    """What one channel says: times, values, and since when they are known."""

    time_ms: Ints
    value: Floats
    known_ms: Ints


@dataclass(frozen=True, slots=True)
class SensorFacts:
    """plane: "horizontal" or the id of panels. tilt_deg, azimuth_deg: how it really stands"""

    plane: str
    tilt_deg: float
    azimuth_deg: float
    gain: float


def draw_sensor(planes: list[tuple[str, float, float]], rng: np.random.Generator) -> SensorFacts:
    """A cheap sensor: a few per cent out, mounted by eye, every other one in the panels' plane."""
    gain = float(rng.normal(1.0, 0.025))
    if rng.random() < 0.5:
        return SensorFacts("horizontal", abs(rng.normal(0.0, 1.0)), rng.uniform(0.0, 360.0), gain)
    id, tilt, azimuth = planes[0]
    return SensorFacts(id, tilt + rng.normal(0.0, 1.5), azimuth + rng.normal(0.0, 3.0), gain)


def sensed(sensor: SensorFacts, weather: Weather, sun: Sun, rng: np.random.Generator) -> Floats:
    """What it shows in each interval. [W/m2] A reference cell: poor under slanting light, a night offset."""
    cosine = sun.cos_incidence(sensor.tilt_deg, sensor.azimuth_deg)
    slant = 1.0 - 0.06 * (1.0 - cosine) ** 5 / 0.5
    diffuse = muneer(sensor.tilt_deg, cosine, sun, weather.ghi, weather.dni, weather.dhi)
    ground = 0.17 * weather.ghi * 0.5 * (1.0 - np.cos(np.radians(sensor.tilt_deg)))
    light = weather.dni * cosine * slant + diffuse + ground
    warm = 1.0 + 0.0006 * (weather.temp_air - 25.0 + 0.02 * light)
    noise = 1.0 + 0.006 * rng.normal(size=len(light))
    return np.asarray(sensor.gain * light * warm * noise - 0.8)


def remote(
    basis: Basis, minutes: int, day_late: bool, weather: Weather, sun: Sun, year: Year, rng: np.random.Generator
) -> dict[str, Told]:
    """Means over so many minutes with their period's end as time; day_late: they come at six the next morning."""
    steps = minutes // 5
    summer, winter, hourly = FEATURES[basis]
    noon = sun.elevation_deg.reshape(year.days, 288).max(axis=1)
    height = np.clip((noon - 15.0) / 35.0, 0.0, 1.0)
    cloudy = 1.25 - 0.5 * np.clip(_daily_kc(weather, year), 0.0, 1.0)
    sd = (winter + (summer - winter) * height) * cloudy
    drawn = rng.normal(size=year.days)
    error, last = np.empty(year.days), 0.0
    for day in range(year.days):
        last = 0.25 * last + np.sqrt(1.0 - 0.25**2) * drawn[day]
        error[day] = sd[day] * last
    by_hour = rng.normal(0.0, hourly, year.points // 12 + 1).repeat(12)[: year.points]
    broken = np.exp(-(((weather.kc - 0.6) / 0.3) ** 2))
    level = rng.normal(0.0, 0.02) + {Basis.SATELLITE: -0.01, Basis.FORECAST: 0.0}[basis] * (height - 0.5).repeat(288)
    seen = smooth(weather.kc, 3 if basis is Basis.SATELLITE else 24)
    kc = np.clip(seen * np.exp(error.repeat(288) + by_hour * (0.3 + 0.7 * broken) + level), 0.03, 1.12)
    ghi = np.where(sun.up, kc * weather.clear, 0.0)
    ends = year.begin_ms + GRID_MS * steps * np.arange(1, year.points // steps + 1, dtype=np.int64)
    known = (ends - 1) // DAY_MS * DAY_MS + DAY_MS + 6 * HOUR_MS if day_late else ends

    def means(of: Floats, digits: int) -> Told:
        return Told(ends, np.round(of.reshape(-1, steps).mean(axis=1), digits), known)

    cool = weather.temp_air + np.interp(
        np.arange(year.points), np.arange(0, year.points, 288), rng.normal(0.0, 0.8, year.days)
    )
    return {"ghi": means(ghi, 1), "temp_air": means(cool, 1), "wind_speed": means(weather.wind, 1)}


def smooth(values: Floats, steps: int) -> Floats:
    """A centred mean over so many intervals."""
    return np.convolve(values, np.ones(steps) / steps, mode="same")


def _daily_kc(weather: Weather, year: Year) -> Floats:
    return year.daily(weather.ghi) / np.maximum(year.daily(weather.clear), 1.0)
