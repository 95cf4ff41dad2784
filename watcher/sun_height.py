"""How high the sun stands, to a degree or so, without the model stack. Pure.

For what only needs to know whether it is day. What is judged against the sun is reckoned elsewhere (expect/geometry).
"""

from __future__ import annotations

import math

from watcher.domain.instant import DAY_MS

_J2000_MS = 946_728_000_000
"""2000-01-01T12:00Z, from which the almanac's days are counted."""


def sun_height_deg(latitude_deg: float, longitude_deg: float, at_ms: int) -> float:
    """Height of the sun's centre over the horizon, without refraction. [degrees]

    The low-precision formulas of the Astronomical Almanac (0.01 degrees for 1950 to 2050), from memory; tested against
    pvlib's SPA.
    """
    days = (at_ms - _J2000_MS) / DAY_MS
    mean_longitude = math.radians((280.460 + 0.9856474 * days) % 360)
    anomaly = math.radians((357.528 + 0.9856003 * days) % 360)
    longitude = mean_longitude + math.radians(1.915 * math.sin(anomaly) + 0.020 * math.sin(2 * anomaly))
    obliquity = math.radians(23.439 - 4e-7 * days)
    ascension = math.atan2(math.cos(obliquity) * math.sin(longitude), math.cos(longitude))
    declination = math.asin(math.sin(obliquity) * math.sin(longitude))
    sidereal = math.radians((280.46062 + 360.98564737 * days + longitude_deg) % 360)
    latitude, hour = math.radians(latitude_deg), sidereal - ascension
    height = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(hour)
    return math.degrees(math.asin(max(-1.0, min(1.0, height))))
