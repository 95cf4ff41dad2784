"""The grid of a site-year: 365 days of 5-minute intervals, and where the sun stands in the middle of each.

Rule: everything in a year is an array with one entry per interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib

from watcher.align.window import Bools, Floats, Ints
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY

DAYS = 365


@dataclass(frozen=True, slots=True)
class Year:
    """begin_ms: a midnight UTC. days: how many."""

    begin_ms: int
    days: int = DAYS

    @property
    def points(self) -> int:
        return self.days * POINTS_A_DAY

    def starts(self) -> Ints:
        """The beginning of each interval [ms UTC]."""
        return self.begin_ms + GRID_MS * np.arange(self.points, dtype=np.int64)

    def middles(self) -> pd.DatetimeIndex:
        return pd.DatetimeIndex(pd.to_datetime(self.starts() + GRID_MS // 2, unit="ms", utc=True))

    def solar_hours(self, longitude_deg: float) -> Floats:
        """Hours of mean solar time since the begin, at the middle of each interval."""
        return (np.arange(self.points) + 0.5) / 12.0 + longitude_deg / 15.0

    def day_of_year(self) -> Ints:
        """Of each day [1..366]."""
        first = pd.Timestamp(self.begin_ms, unit="ms", tz="UTC")
        return np.array([(first + pd.Timedelta(days=n)).day_of_year for n in range(self.days)], dtype=np.int64)

    def daily(self, power_w: Floats) -> Floats:
        """Energy of each day UTC. [Wh]"""
        return np.asarray(power_w.reshape(self.days, POINTS_A_DAY).sum(axis=1) / 12.0)

    def day_of(self, ms: int) -> int:
        return (ms - self.begin_ms) // DAY_MS


@dataclass(frozen=True, slots=True)
class Sun:
    """Position and the light outside the air, interval by interval. [degrees, W/m2]"""

    elevation_deg: Floats
    azimuth_deg: Floats
    outside: Floats

    @property
    def up(self) -> Bools:
        return np.asarray(self.elevation_deg > 0.0)

    @property
    def height(self) -> Floats:
        """Sine of the elevation, never below 0."""
        return np.maximum(np.sin(np.radians(self.elevation_deg)), 0.0)

    def cos_incidence(self, tilt_deg: float, azimuth_deg: float) -> Floats:
        """Of the beam on a plane; 0 where it does not reach its face."""
        found = pvlib.irradiance.aoi_projection(tilt_deg, azimuth_deg, 90.0 - self.elevation_deg, self.azimuth_deg)
        return np.where(self.up, np.maximum(np.asarray(found), 0.0), 0.0)


def sun_over(times: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float) -> Sun:
    """By pvlib's solar position algorithm: where the sun stands is no opinion, so all may share it."""
    found = pvlib.solarposition.spa_python(times, latitude_deg, longitude_deg)
    outside = np.asarray(pvlib.irradiance.get_extra_radiation(np.asarray(times.day_of_year)))
    return Sun(found["apparent_elevation"].to_numpy(), found["azimuth"].to_numpy(), outside)
