"""Where the sun stands and what a clear sky gives, for one UTC day at one place. Known before any measurement.

Rule: everything here follows from place, planes and date alone, so it is computed once, kept, and never written to.
The middle of each 5-minute interval stands for the interval: a mean of beam over a longer time is not the beam at
its middle, and clipping happens within minutes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

from watcher.align.window import Floats, Ints
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY


@dataclass(frozen=True, slots=True, eq=False)
class Sky:
    """The sun and a clear sky over a row of instants; all arrays have one entry each and are read-only.

    day_of_year: 1 to 366, UTC
    zenith_deg, apparent_zenith_deg: without and with refraction
    azimuth_deg: clockwise from north
    dni_extra: beam outside the atmosphere [W/m2]
    airmass: relative, Kasten and Young; NaN with the sun down
    pressure_pa: of the standard atmosphere at this altitude
    ghi, dni, dhi: clear sky after Ineichen and Perez with the month's Linke turbidity [W/m2]
    """

    day_of_year: Ints
    zenith_deg: Floats
    apparent_zenith_deg: Floats
    azimuth_deg: Floats
    dni_extra: Floats
    airmass: Floats
    pressure_pa: float
    ghi: Floats
    dni: Floats
    dhi: Floats

    @property
    def elevation_deg(self) -> Floats:
        """Apparent height of the sun's centre."""
        return read_only(90.0 - self.apparent_zenith_deg)

    @property
    def cos_zenith(self) -> Floats:
        """Share of the beam that a horizontal surface sees; 0 with the sun down."""
        return read_only(np.maximum(np.cos(np.radians(self.apparent_zenith_deg)), 0.0))

    def repeated(self, count: int) -> Sky:
        """The same sky with each entry `count` times in a row."""
        return self._taken(partial(np.repeat, repeats=count))

    def part(self, places: slice) -> Sky:
        """Some entries of the same sky."""
        return self._taken(lambda column: column[places])

    def every(self, step: int, first: int) -> Sky:
        """The same sky at every so many entries, beginning with one of them."""
        return self._taken(lambda column: column[first::step])

    def _taken(self, taken: Callable[[npt.NDArray[Any]], npt.NDArray[Any]]) -> Sky:
        return Sky(
            day_of_year=taken(self.day_of_year),
            zenith_deg=taken(self.zenith_deg),
            apparent_zenith_deg=taken(self.apparent_zenith_deg),
            azimuth_deg=taken(self.azimuth_deg),
            dni_extra=taken(self.dni_extra),
            airmass=taken(self.airmass),
            pressure_pa=self.pressure_pa,
            ghi=taken(self.ghi),
            dni=taken(self.dni),
            dhi=taken(self.dhi),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """One plane under one sky.

    cos_incidence: share of the beam that the plane sees; 0 with the sun behind it or down
    beam_modifier: share of that beam that passes the glass, after De Soto's physical model (pvlib iam.physical)
    """

    sky: Sky
    tilt_deg: float
    azimuth_deg: float
    cos_incidence: Floats
    beam_modifier: Floats


def read_only(values: Floats) -> Floats:
    """The same array, closed for writing: it is shared by whoever asks for the same day again."""
    values.setflags(write=False)
    return values


_DAYS_TOGETHER = 8
"""Sun positions of so many days at once take a third of the time a day; always the same ones, or the last bit might
depend on who asked first."""


@lru_cache(maxsize=64)
def sky_of_day(latitude_deg: float, longitude_deg: float, altitude_m: float, day_start_ms: int) -> Sky:
    """The sky over the middles of the 288 intervals of a UTC day."""
    number = day_start_ms // DAY_MS % _DAYS_TOGETHER
    together = _sky_of_days(latitude_deg, longitude_deg, altitude_m, day_start_ms - number * DAY_MS)
    return together.part(slice(number * POINTS_A_DAY, (number + 1) * POINTS_A_DAY))


@lru_cache(maxsize=8)
def _sky_of_days(latitude_deg: float, longitude_deg: float, altitude_m: float, start_ms: int) -> Sky:
    middles = start_ms + GRID_MS // 2 + GRID_MS * np.arange(_DAYS_TOGETHER * POINTS_A_DAY, dtype=np.int64)
    return sky_at(latitude_deg, longitude_deg, altitude_m, pd.to_datetime(middles, unit="ms", utc=True))


def sky_at(latitude_deg: float, longitude_deg: float, altitude_m: float, times: pd.DatetimeIndex) -> Sky:
    """The sky at any instants; sun position by SPA (Reda and Andreas, NREL/TP-560-34302)."""
    sun = pvlib.solarposition.get_solarposition(times, latitude_deg, longitude_deg, altitude_m, method="nrel_numpy")
    apparent = sun["apparent_zenith"].to_numpy()
    pressure_pa = float(pvlib.atmosphere.alt2pres(altitude_m))
    airmass = np.asarray(pvlib.atmosphere.get_relative_airmass(apparent))
    day_of_year = times.day_of_year.to_numpy(dtype=np.int64, copy=True)
    dni_extra = np.asarray(pvlib.irradiance.get_extra_radiation(day_of_year), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):  # with the sun down the beam model divides by 0
        clear = pvlib.clearsky.ineichen(
            apparent,
            pvlib.atmosphere.get_absolute_airmass(airmass, pressure_pa),
            _turbidity(latitude_deg, longitude_deg, day_of_year),
            altitude=altitude_m,
            dni_extra=dni_extra,
        )
    up = apparent < 90.0
    return Sky(
        day_of_year=day_of_year,
        zenith_deg=read_only(sun["zenith"].to_numpy().copy()),
        apparent_zenith_deg=read_only(apparent.copy()),
        azimuth_deg=read_only(sun["azimuth"].to_numpy().copy()),
        dni_extra=read_only(dni_extra),
        airmass=read_only(airmass),
        pressure_pa=pressure_pa,
        ghi=read_only(np.where(up, clear["ghi"], 0.0)),
        dni=read_only(np.where(up, clear["dni"], 0.0)),
        dhi=read_only(np.where(up, clear["dhi"], 0.0)),
    )


def _turbidity(latitude_deg: float, longitude_deg: float, day_of_year: Ints) -> Floats:
    """Linke turbidity, a straight line from the middle of one month to the middle of the next."""
    by_month = _turbidity_by_month(latitude_deg, longitude_deg)
    around = np.concatenate([by_month[-1:], by_month, by_month[:1]])
    turbidity: Floats = np.interp(day_of_year, _MONTH_MIDDLES, around)
    return turbidity


_MONTH_MIDDLES = np.array(
    [-14.5, 15.5, 45.0, 74.5, 105.0, 135.5, 166.0, 196.5, 227.5, 258.0, 288.5, 319.0, 349.5, 380.5]
)
"""Days of the year, December before to January after; 29 February moves them by half a day, which nobody can see."""


@lru_cache(maxsize=64)
def _turbidity_by_month(latitude_deg: float, longitude_deg: float) -> Floats:
    """The twelve values of the worldwide map that ships with pvlib (Remund et al. 2003)."""
    months = pd.date_range("2025-01-15", periods=12, freq=pd.DateOffset(months=1), tz="UTC")
    found = pvlib.clearsky.lookup_linke_turbidity(months, latitude_deg, longitude_deg, interp_turbidity=False)
    return read_only(found.to_numpy(dtype=np.float64, copy=True))


def plane_under(sky: Sky, tilt_deg: float, azimuth_deg: float) -> Plane:
    """How a plane stands to the sun."""
    incidence_deg = pvlib.irradiance.aoi(tilt_deg, azimuth_deg, sky.apparent_zenith_deg, sky.azimuth_deg)
    seen = (sky.apparent_zenith_deg < 90.0) & (incidence_deg < 90.0)
    return Plane(
        sky=sky,
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        cos_incidence=read_only(np.where(seen, np.cos(np.radians(incidence_deg)), 0.0)),
        beam_modifier=read_only(np.where(seen, pvlib.iam.physical(incidence_deg), 0.0)),
    )
