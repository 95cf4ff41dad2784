"""What a roof makes of the sky: irradiance in the plane, module temperature, current and voltage of a string.

Physics of its own, on purpose: the simulated home must not share a model with what judges it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from watcher.simulate.scenario import ArrayFacts, ModuleFacts
from watcher.simulate.sky import Sky

ALBEDO = 0.2
NOCT_C = 50.0  # modules close to a roof; common practice, no source
KEPT = 0.91  # of the current, after dirt, mismatch, ageing and cables; common practice, no source
CURRENT_PER_K = 0.0005
OPEN_OVER_MPP = 1.2


@dataclass(frozen=True, slots=True)
class StringState:
    """What one input's modules offer. mpp_v, mpp_a: at the point of highest power; open_v: without load."""

    mpp_v: float
    mpp_a: float
    open_v: float

    @property
    def mpp_w(self) -> float:
        return self.mpp_v * self.mpp_a


def in_plane(
    ghi: float, dni: float, dhi: float, extra_dni: float, sin_elevation: float, cos_incidence: float, tilt_deg: float,
    albedo: float = ALBEDO,
) -> tuple[float, float]:  # fmt: skip
    """Irradiance in a tilted plane after Hay, Davies, Klucher and Reindl: (from the sun's disc, the rest). [W/m2]

    Source: Duffie and Beckman, Solar Engineering of Thermal Processes, section 2.16 (from memory).
    """
    if ghi <= 0 or sin_elevation <= 0:
        return 0.0, 0.0
    beam = max(0.0, ghi - dhi)
    anisotropy = min(1.0, dni / extra_dni)
    # Near the horizon the quotient runs away; below two degrees it is held.
    ratio = max(0.0, cos_incidence) / max(sin_elevation, 0.035)
    tilt = math.radians(tilt_deg)
    brightening = 1 + math.sqrt(beam / ghi) * math.sin(tilt / 2) ** 3
    disc = (beam + dhi * anisotropy) * ratio
    dome = dhi * (1 - anisotropy) * (1 + math.cos(tilt)) / 2 * brightening
    return disc, dome + ghi * albedo * (1 - math.cos(tilt)) / 2


def cos_incidence(sky: Sky, tilt_deg: float, azimuth_deg: float) -> float:
    """Cosine of the angle between the sun and the plane's normal."""
    tilt, elevation = math.radians(tilt_deg), math.radians(sky.sun.elevation_deg)
    turn = math.radians(sky.sun.azimuth_deg - azimuth_deg)
    return math.cos(tilt) * math.sin(elevation) + math.sin(tilt) * math.cos(elevation) * math.cos(turn)


def effective_irradiance(sky: Sky, array: ArrayFacts) -> float:
    """What gets through the glass of an array. [W/m2]"""
    cosine = cos_incidence(sky, array.tilt_deg, array.azimuth_deg)
    disc, rest = in_plane(
        sky.ghi, sky.dni, sky.dhi, sky.sun.extra_dni, sky.sun.sin_elevation, cosine, array.tilt_deg
    )  # fmt: skip
    # Flat light is reflected: the usual one-parameter form, 0.05 for plain glass (common practice, no source).
    through = max(0.0, 1 - 0.05 * (1 / cosine - 1)) if cosine > 0.05 else 0.0
    return disc * through + 0.95 * rest


def module_temperature(irradiance: float, temp_air: float, wind_speed: float) -> float:
    """From the nominal operating temperature, with the wind's share after Duffie and Beckman (from memory). [degC]"""
    return temp_air + (NOCT_C - 20) / 800 * irradiance * 9.5 / (5.7 + 3.8 * wind_speed)


def string_state(sky: Sky, array: ArrayFacts, module: ModuleFacts, strings: int) -> StringState:
    """What the given number of an array's parallel strings offer."""
    irradiance = effective_irradiance(sky, array)
    if irradiance < 0.5:
        return StringState(0.0, 0.0, 0.0)
    warmer = module_temperature(irradiance, sky.temp_air, sky.wind_speed) - 25
    # The voltage falls with warmth by what power loses and current gains, and with the logarithm of the light.
    bend = 1 + (module.gamma_per_k - CURRENT_PER_K) * warmer + 0.022 * math.log(irradiance / 1000)
    voltage = array.modules_in_series * module.vmp_v * max(0.0, bend) * irradiance / (irradiance + 2)
    current = module.imp_a * strings * irradiance / 1000 * (1 + CURRENT_PER_K * warmer) * KEPT
    return StringState(voltage, current, voltage * OPEN_OVER_MPP)
