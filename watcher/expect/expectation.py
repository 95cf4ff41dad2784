"""What the sun and the equipment allowed, with how sure we are.

Rule: no basis, no object; an interval without a reference is NaN, never 0 and never the clear sky.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from watcher.align.window import Floats, Ints


class Basis(IntEnum):
    """Where the irradiance came from; choose.py says in which order. CLEAR_SKY is a bound, never an expectation."""

    NONE = 0
    MEASURED = 1
    SATELLITE = 2
    WEATHER = 3
    PEERS = 4
    CLEAR_SKY = 5


@dataclass(frozen=True, slots=True)
class Expectation:
    """One subject over the window's grid. [W]

    expected, low, high: NaN where there is no reference; low and high cover 90 % of the healthy intervals' values
    bound: what a clear sky would allow; never NaN
    """

    expected: Floats
    low: Floats
    high: Floats
    bound: Floats


@dataclass(frozen=True, slots=True)
class Expected:
    """All subjects of a site over the window's grid.

    sun_elevation_deg: apparent, at the middle of the interval. sun_azimuth_deg: clockwise from north
    basis: of each interval (Basis), the same for all subjects
    known_ms: grid point from which the interval's expectation may be used; its own end where there is none
    temp_air: of the basis in use [degC]; NaN where none
    by_subject: "site" (pv_power of all arrays, AC), "inverter-1" (ac_power), "inverter-1.input-1" (dc_power)
    poa_wm2: in-plane irradiance by array id, from the basis in use; NaN where none
    clear_poa_wm2: in-plane irradiance by array id under a clear sky
    uncorrected: of inverters with a learned correction, what is expected without it [W]; NaN on days without
    model_ids: of those corrections
    """

    sun_elevation_deg: Floats
    sun_azimuth_deg: Floats
    basis: npt.NDArray[np.int8]
    known_ms: Ints
    temp_air: Floats
    by_subject: Mapping[str, Expectation]
    poa_wm2: Mapping[str, Floats]
    clear_poa_wm2: Mapping[str, Floats]
    uncorrected: Mapping[str, Floats] = field(default_factory=dict)
    model_ids: tuple[str, ...] = ()
