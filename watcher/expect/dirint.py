"""DIRINT: the beam in a global irradiance, by its clearness and by how steady that clearness is.

Rule: the same as pvlib's, held to the step from the value before, so that no value looks ahead; and in arrays
throughout, since pvlib's looks up its table through pandas and takes a hundred times as long. tests/expect hold the
two together. Coefficients are pvlib's table; Perez, Ineichen, Maxwell, Seals and Zelenka 1992 (ASHRAE Transactions).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pvlib

from watcher.align.window import Floats, Ints

CLEARNESS = np.array((0.24, 0.4, 0.56, 0.7, 0.8))
ZENITH_DEG = np.array((25.0, 40.0, 55.0, 70.0, 80.0))
STEP = np.array((0.015, 0.035, 0.07, 0.15, 0.3))
"""Upper edges of the table's bins, a value on an edge lying above it: clearness, zenith, step of clearness."""

NO_DEW_POINT = 4
"""Place in the table for water in the air that is not known."""


@cache
def _table() -> Floats:
    return np.asarray(pvlib.irradiance._get_dirint_coeffs()[..., NO_DEW_POINT])


def dirint(
    ghi: Floats, zenith_deg: Floats, day_of_year: Ints, pressure_pa: float, before: Floats, before_zenith_deg: Floats
) -> Floats:
    """Direct normal irradiance [W/m2]; NaN where the value before is none.

    ghi, zenith_deg, day_of_year: of the values asked for, all finite. before, before_zenith_deg: of the value before
    each, NaN where there is none
    """
    dni, clearness = _disc(ghi, zenith_deg, day_of_year, pressure_pa)
    _, was = _disc(before, before_zenith_deg, day_of_year, pressure_pa)
    step = np.abs(clearness - was)
    known = np.isfinite(step) & np.isfinite(clearness)
    places = (
        np.searchsorted(CLEARNESS, clearness[known], side="right"),
        np.searchsorted(ZENITH_DEG, zenith_deg[known], side="right"),
        np.searchsorted(STEP, step[known], side="right"),
    )
    factor = np.full(len(ghi), np.nan)
    factor[known] = _table()[places]
    return np.asarray(dni * factor)


def _disc(ghi: Floats, zenith_deg: Floats, day_of_year: Ints, pressure_pa: float) -> tuple[Floats, Floats]:
    """DISC's beam (Maxwell 1987), and the clearness index made independent of the sun's height."""
    found = pvlib.irradiance.disc(ghi, zenith_deg, day_of_year, pressure=pressure_pa)
    clearness = pvlib.irradiance.clearness_index_zenith_independent(found["kt"], found["airmass"], 1)
    return np.asarray(found["dni"]), np.asarray(clearness)
