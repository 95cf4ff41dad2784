"""From what falls on a horizontal surface to what falls on a plane, and back.

Rule: strictly causal. An interval's value depends on that interval and the one before, never on a later one, so a
replay that knows the whole day agrees with a live run that did not.

Choices, from our own study on horizontal sensors against sensors in the plane: DIRINT where the reference is
measured (Golden, 5 minutes: RMSE 34 W/m2 against 61 with Erbs), Erbs where the reference's own error drowns the
difference, Perez for the plane (isotropic has an error with a season, which a baseline takes for a fault).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pvlib

from watcher.align.window import Bools, Floats
from watcher.expect.dirint import dirint
from watcher.expect.geometry import Plane, Sky, plane_under, read_only

ALBEDO = 0.2
"""Share of the light that the ground gives back; the usual figure without snow (pvlib, PVWatts)."""

LEVELS = 18
"""Clearness levels in the table that leads from a plane back to the horizontal."""

SENSOR_ERROR = 0.03  # of a good irradiance sensor in the field (common practice, no source)
OPEN_SHARE = 0.2  # of the clear sky; an own choice between gaps and mistakes


class Split(Enum):
    """How global irradiance is split into beam and diffuse."""

    DIRINT = "dirint"  # Perez et al. 1992; uses the step in clearness since the interval before
    ERBS = "erbs"  # Erbs et al. 1982; one value at a time


class Components(NamedTuple):
    """Global horizontal, direct normal and diffuse horizontal irradiance; NaN where unknown. [W/m2]"""

    ghi: Floats
    dni: Floats
    dhi: Floats


@dataclass(frozen=True, slots=True, eq=False)
class InPlane:
    """total: in-plane irradiance. effective: of that, what passes the glass (the modifier acts on the beam). [W/m2]"""

    total: Floats
    effective: Floats


def split(sky: Sky, ghi: Floats, how: Split) -> Components:
    """Beam and diffuse of a global horizontal irradiance of at least 0; NaN stays NaN, with the sun down all is 0."""
    dni = _dirint(sky, ghi) if how is Split.DIRINT else _erbs(sky, ghi)
    up = sky.apparent_zenith_deg < 90.0
    lit = np.where(up, ghi, np.where(np.isnan(ghi), np.nan, 0.0))
    # No more beam than the sensor saw: near the horizon both models can ask for it.
    dni = np.where(up & (sky.cos_zenith > 0), np.minimum(dni, lit / np.maximum(sky.cos_zenith, 1e-6)), lit)
    return Components(lit, dni, np.maximum(lit - dni * sky.cos_zenith, 0.0))


def _erbs(sky: Sky, ghi: Floats) -> Floats:
    found = pvlib.irradiance.erbs(ghi, sky.zenith_deg, sky.day_of_year)["dni"]
    return np.where(np.isnan(ghi), np.nan, np.nan_to_num(found))


def _dirint(sky: Sky, ghi: Floats) -> Floats:
    dni = np.where(np.isnan(ghi), np.nan, 0.0)
    asked = np.flatnonzero(np.isfinite(ghi) & (sky.zenith_deg < 90.0))
    before = np.maximum(asked - 1, 0)
    was = np.where(asked > 0, ghi[before], np.nan)
    light = (ghi[asked], sky.zenith_deg[asked], sky.day_of_year[asked], sky.pressure_pa)
    dni[asked] = np.nan_to_num(dirint(*light, was, sky.zenith_deg[before]))
    return dni


def transpose(plane: Plane, light: Components) -> InPlane:
    """Irradiance in a plane after Perez et al. 1990; Hay and Davies where Perez has no answer. NaN stays NaN."""
    beam = light.dni * plane.cos_incidence
    diffuse = perez(plane, light)
    if not np.isfinite(diffuse[np.isfinite(light.dhi)]).all():
        diffuse = np.where(np.isfinite(diffuse), diffuse, hay_davies(plane, light))
    ground = pvlib.irradiance.get_ground_diffuse(plane.tilt_deg, light.ghi, albedo=ALBEDO)
    indirect = np.maximum(diffuse, 0.0) + ground
    return InPlane(total=beam + indirect, effective=beam * plane.beam_modifier + indirect)


def perez(plane: Plane, light: Components) -> Floats:
    """The sky's diffuse light in a plane, all-sites coefficients of 1990. [W/m2] NaN where the model is undefined."""
    sky = plane.sky
    with np.errstate(divide="ignore", invalid="ignore"):  # no diffuse light: brightness and clearness are 0/0
        found = pvlib.irradiance.perez(
            plane.tilt_deg,
            plane.azimuth_deg,
            light.dhi,
            light.dni,
            sky.dni_extra,
            sky.apparent_zenith_deg,
            sky.azimuth_deg,
            sky.airmass,
        )
    return np.asarray(found)


def hay_davies(plane: Plane, light: Components) -> Floats:
    """The sky's diffuse light in a plane after Hay and Davies 1980. [W/m2]"""
    sky = plane.sky
    sun = (sky.apparent_zenith_deg, sky.azimuth_deg)
    found = pvlib.irradiance.haydavies(plane.tilt_deg, plane.azimuth_deg, light.dhi, light.dni, sky.dni_extra, *sun)
    return np.asarray(found)


@dataclass(frozen=True, slots=True, eq=False)
class ClearPlane:
    """A plane, and what a clear sky gives it."""

    plane: Plane
    clear: InPlane


@lru_cache(maxsize=256)
def clear_plane(sky: Sky, tilt_deg: float, azimuth_deg: float) -> ClearPlane:
    """A plane under a sky. Skies are told apart by identity: `sky_of_day` gives the same one again."""
    plane = plane_under(sky, tilt_deg, azimuth_deg)
    found = transpose(plane, Components(sky.ghi, sky.dni, sky.dhi))
    return ClearPlane(plane, InPlane(read_only(found.total), read_only(found.effective)))


class Horizontal(NamedTuple):
    """ghi: global horizontal irradiance [W/m2]. certain: where nothing else could have given the plane its light."""

    ghi: Floats
    certain: Bools


def back_to_horizontal(plane: Plane, poa: Floats) -> Horizontal:
    """The global horizontal irradiance that gives this in-plane irradiance; NaN stays NaN, 0 with the sun down.

    Read back from a table of the plane's irradiance at 18 clearness levels of each interval (Erbs, Perez). With the
    sun beside or behind the plane a clear and a hazy sky can look the same to it. Then the lowest answer is given and
    called uncertain: where a sensor 3 % out one way or the other leaves more than a fifth of a clear sky open.
    """
    ghi_of_level, lowest_poa, highest_poa = _levels(plane)
    ghi = np.where(np.isnan(poa), np.nan, 0.0)
    certain = np.isfinite(poa)
    for index in np.flatnonzero(np.isfinite(poa) & (ghi_of_level[:, -1] > 0)):
        levels, rising = ghi_of_level[index], lowest_poa[index]
        ghi[index] = np.interp(poa[index], rising, levels)
        least = np.interp(poa[index] * (1 - SENSOR_ERROR), rising, levels)
        most = np.interp(poa[index] * (1 + SENSOR_ERROR), highest_poa[index], levels)
        certain[index] = most - least <= OPEN_SHARE * plane.sky.ghi[index]
    return Horizontal(ghi, certain)


@lru_cache(maxsize=64)
def _levels(plane: Plane) -> tuple[Floats, Floats, Floats]:
    """(ghi, poa, poa), each intervals x levels and rising: the second leads to the lowest answer, the third to the
    highest.
    """
    sky = plane.sky
    clearness = np.linspace(0.0, 1.1, LEVELS)
    ghi = np.outer(sky.dni_extra * sky.cos_zenith, clearness)
    tall = plane_under(sky.repeated(LEVELS), plane.tilt_deg, plane.azimuth_deg)
    poa = transpose(tall, split(tall.sky, ghi.ravel(), Split.ERBS)).total.reshape(ghi.shape)
    lowest = np.maximum.accumulate(poa, axis=1)
    highest = np.minimum.accumulate(poa[:, ::-1], axis=1)[:, ::-1]
    return read_only(ghi), read_only(lowest), read_only(highest)
