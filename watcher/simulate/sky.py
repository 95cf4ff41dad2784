"""The sky over the home: sun, cloud, air temperature and wind, one state for every instant.

Rule: a pure function of seed and time. Cloud is an autoregressive process in steps of five minutes, begun afresh each
midnight UTC, when it is dark; a broken sky also changes from minute to minute.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, from_ms
from watcher.simulate.noise import Noise
from watcher.simulate.sun import Sun, sun_at

STEP_MS = 5 * MINUTE_MS


class DayType(StrEnum):
    CLEAR = "clear"
    BROKEN = "broken"
    OVERCAST = "overcast"


_SHARES = {DayType.CLEAR: 0.25, DayType.BROKEN: 0.45, DayType.OVERCAST: 0.30}  # roughly England; no source
_PERSISTENCE = {DayType.CLEAR: 0.97, DayType.BROKEN: 0.72, DayType.OVERCAST: 0.94}
_SWING_K = {DayType.CLEAR: 6.5, DayType.BROKEN: 4.5, DayType.OVERCAST: 2.0}


@dataclass(frozen=True, slots=True)
class Sky:
    """ghi, dni, dhi [W/m2], 0 when the sun is down; temp_air [degC]; wind_speed [m/s]."""

    sun: Sun
    ghi: float
    dni: float
    dhi: float
    temp_air: float
    wind_speed: float


def air_mass(elevation_deg: float) -> float:
    """Relative path through the air, 1 towards the zenith, after Kasten and Young (1989), from memory."""
    return 1.0 / (math.sin(math.radians(elevation_deg)) + 0.50572 * math.pow(elevation_deg + 6.07995, -1.6364))


def clear_sky(sun: Sun) -> tuple[float, float]:
    """Global and diffuse irradiance without a cloud; 0 with the sun down. [W/m2]

    The beam has the form of Meinel and Meinel (1976), from memory, with the haze of England; the diffuse part is a
    plain guess. The tests hold both against pvlib's clear sky.
    """
    if sun.elevation_deg <= 0:
        return 0.0, 0.0
    dni = sun.extra_dni * 0.65 ** (air_mass(sun.elevation_deg) ** 0.678)
    dhi = 0.12 * sun.extra_dni * sun.sin_elevation**0.9
    return dni * sun.sin_elevation + dhi, dhi


def diffuse_share(clear_share: float, clearness: float) -> float:
    """Share of the global irradiance that comes from the whole sky. [0..1] A correlation of our own.

    clear_share: that share without a cloud. clearness: global irradiance over that of a clear sky; below a third
    of it nothing comes straight from the sun.
    """
    u = max(0.0, min(1.0, (1.0 - clearness) / 0.65))
    # Above 1 the surplus is light from cloud edges: it comes from the sky, not from the sun's disc.
    edge = max(0.0, 1.0 - 1.0 / clearness) if clearness > 1.0 else 0.0
    return min(1.0, clear_share + (1.0 - clear_share) * max(u * u * (3.0 - 2.0 * u), edge))


class SkyModel:
    """days: the type of some days, by UTC date; the others are drawn."""

    def __init__(self, seed: int, latitude_deg: float, longitude_deg: float, days: Mapping[date, DayType]) -> None:
        self.seed = seed
        self.latitude_deg, self.longitude_deg = latitude_deg, longitude_deg
        self._fixed = dict(days)
        self._clearness: dict[int, tuple[float, ...]] = {}
        self._flicker = Noise(seed, "sky/flicker")
        self._warm = Noise(seed, "sky/warm")
        self._wind = Noise(seed, "sky/wind")
        self._gust = Noise(seed, "sky/gust")

    def day_type(self, day_number: int) -> DayType:
        """Type of a day, counted since 1970."""
        fixed = self._fixed.get(from_ms(day_number * DAY_MS).date())
        if fixed is not None:
            return fixed
        draw = random.Random(f"{self.seed}/day-type/{day_number}")
        return draw.choices(list(_SHARES), list(_SHARES.values()))[0]

    def at(self, time_ms: int) -> Sky:
        sun = sun_at(time_ms, self.latitude_deg, self.longitude_deg)
        ghi = dni = dhi = 0.0
        if sun.elevation_deg > 0:
            clearness = self._clearness_at(time_ms)
            clear_ghi, clear_dhi = clear_sky(sun)
            ghi = clear_ghi * clearness
            dhi = ghi * diffuse_share(clear_dhi / clear_ghi, clearness)
            dni = (ghi - dhi) / sun.sin_elevation
        return Sky(sun, ghi, dni, dhi, self._temp_air(time_ms), self._wind_speed(time_ms))

    def _clearness_at(self, time_ms: int) -> float:
        day, within = divmod(time_ms, DAY_MS)
        points = self._points_of(day)
        step, rest = divmod(within, STEP_MS)
        share = rest / STEP_MS
        clearness = points[step] * (1 - share) + points[step + 1] * share
        if self.day_type(day) is DayType.BROKEN:
            clearness += 0.05 * self._flicker.normal(time_ms // MINUTE_MS)
        return max(0.04, min(1.22, clearness))

    def _points_of(self, day: int) -> tuple[float, ...]:
        found = self._clearness.get(day)
        if found is None:
            if len(self._clearness) >= 8:
                del self._clearness[next(iter(self._clearness))]
            found = self._clearness[day] = self._draw_points(day)
        return found

    def _draw_points(self, day: int) -> tuple[float, ...]:
        kind = self.day_type(day)
        draw = random.Random(f"{self.seed}/cloud/{day}")
        keep = _PERSISTENCE[kind]
        haze = draw.uniform(-0.025, 0.025)
        x = draw.gauss(0.0, 1.0)
        points = []
        for _ in range(DAY_MS // STEP_MS + 1):
            x = keep * x + math.sqrt(1 - keep * keep) * draw.gauss(0.0, 1.0)
            points.append(_clearness_of(kind, x) * (1 + haze))
        return tuple(points)

    def _temp_air(self, time_ms: int) -> float:
        # A central English year, roughly (no source): 4 degC in January, 16.5 in July, warmest at 15 h.
        before, rest = divmod(time_ms - DAY_MS // 2, DAY_MS)
        share = rest / DAY_MS
        warm = (self._warm.normal(before) * (1 - share) + self._warm.normal(before + 1) * share) * 2.5
        swing = _SWING_K[self.day_type(before)] * (1 - share) + _SWING_K[self.day_type(before + 1)] * share
        year = time_ms / (365.2425 * DAY_MS) % 1.0
        season = math.cos(2 * math.pi * (year - 0.56))
        hour = (time_ms % DAY_MS) / HOUR_MS + self.longitude_deg / 15
        return 10.2 + 6.3 * season + warm + swing * (0.75 + 0.25 * season) * math.cos(math.pi / 12 * (hour - 15))

    def _wind_speed(self, time_ms: int) -> float:
        before, rest = divmod(time_ms, 3 * HOUR_MS)
        share = rest / (3 * HOUR_MS)
        slow = self._wind.normal(before) * (1 - share) + self._wind.normal(before + 1) * share
        hour = (time_ms % DAY_MS) / HOUR_MS
        mean = 3.0 + 0.8 * math.cos(math.pi / 12 * (hour - 14)) + 1.2 * slow
        return max(0.2, mean + 0.4 * self._gust.normal(time_ms // MINUTE_MS))


def _clearness_of(kind: DayType, x: float) -> float:
    if kind is DayType.CLEAR:
        return 0.99 + 0.012 * x
    if kind is DayType.OVERCAST:
        return 0.24 + 0.07 * x if x > -1.5 else 0.135
    # Either the disc is free or it is not: a steep bend between the two, a little above 1 beside bright clouds.
    return 0.27 + 0.77 / (1 + math.exp(-2.6 * x))
