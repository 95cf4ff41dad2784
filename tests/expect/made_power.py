"""What a plant makes under a sky of a given clearness, for tests in which plants tell of the sky."""

from __future__ import annotations

import numpy as np

from watcher.align.window import Floats
from watcher.domain.instant import POINTS_A_DAY
from watcher.domain.site import Site
from watcher.expect.geometry import plane_under, sky_of_day
from watcher.expect.irradiance import Split, split, transpose
from watcher.expect.plant import TEMP_AIR_DEFAULT, WIND_DEFAULT_MS, array_dc, cell_temperature, power_by_subject


def power_under(site: Site, clearness: Floats | float, day: int) -> Floats:
    """What a site makes under a sky of this clearness, in air of the usual warmth. [W]"""
    sky = sky_of_day(site.latitude_deg, site.longitude_deg, site.altitude_m, day)
    light = split(sky, np.asarray(clearness * sky.ghi), Split.ERBS)
    dc = {}
    for array in site.arrays:
        found = transpose(plane_under(sky, array.tilt_deg, array.azimuth_deg), light)
        usual = np.full(POINTS_A_DAY, TEMP_AIR_DEFAULT), np.full(POINTS_A_DAY, WIND_DEFAULT_MS)
        dc[array.id] = array_dc(array, found.effective, cell_temperature(array.mounting, found.total, *usual))
    return np.nan_to_num(power_by_subject(site, dc)["site"])
