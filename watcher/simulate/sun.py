"""Where the sun stands: the low-precision almanac formula, good to about 0.02 degrees this century.

Formula of the Astronomical Almanac (low-precision solar coordinates) and Bennett's refraction, from memory; the tests
hold it against the published SPA values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

J2000_MS = 946_728_000_000  # 2000-01-01T12:00Z
SOLAR_CONSTANT_WM2 = 1361.0


@dataclass(frozen=True, slots=True)
class Sun:
    """elevation_deg: apparent. azimuth_deg: 0 north, 90 east. extra_dni: normal irradiance above the air [W/m2]."""

    elevation_deg: float
    azimuth_deg: float
    sin_elevation: float
    extra_dni: float


def sun_at(time_ms: int, latitude_deg: float, longitude_deg: float) -> Sun:
    days = (time_ms - J2000_MS) / 86_400_000
    anomaly = math.radians((357.528 + 0.9856003 * days) % 360)
    mean_longitude = 280.460 + 0.9856474 * days
    ecliptic = math.radians((mean_longitude + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2 * anomaly)) % 360)
    obliquity = math.radians(23.439 - 0.0000004 * days)
    right_ascension = math.atan2(math.cos(obliquity) * math.sin(ecliptic), math.cos(ecliptic))
    declination = math.asin(math.sin(obliquity) * math.sin(ecliptic))
    sidereal = math.radians((280.46061837 + 360.98564736629 * days + longitude_deg) % 360)
    hour_angle = sidereal - right_ascension

    latitude = math.radians(latitude_deg)
    sin_true = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
        hour_angle
    )
    azimuth = math.atan2(
        -math.sin(hour_angle),
        math.tan(declination) * math.cos(latitude) - math.sin(latitude) * math.cos(hour_angle),
    )
    true_deg = math.degrees(math.asin(max(-1.0, min(1.0, sin_true))))
    elevation_deg = true_deg + _refraction_deg(true_deg)
    distance_au = 1.00014 - 0.01671 * math.cos(anomaly) - 0.00014 * math.cos(2 * anomaly)
    return Sun(
        elevation_deg=elevation_deg,
        azimuth_deg=math.degrees(azimuth) % 360,
        sin_elevation=math.sin(math.radians(elevation_deg)),
        extra_dni=SOLAR_CONSTANT_WM2 / distance_au**2,
    )


def _refraction_deg(true_deg: float) -> float:
    # Below the horizon nobody looks, and the formula has a pole there.
    if true_deg < -1.0:
        return 0.0
    return 1.02 / 60 / math.tan(math.radians(true_deg + 10.3 / (true_deg + 5.11)))
