"""What the sun and the equipment allowed over past years, hour by hour: the measure of readings months apart.

Rule: the same chain as a day's expectation (day.py), at the middle of each hour. It is there for sums over days and
longer, so it carries no band: how sure a sum is, whoever judges it says. What is not known of the sunshine stays
unknown.

Against the chain in steps of five minutes, under the same hourly sunshine, sums over two weeks differ by 0.3 % facing
south, by up to 1.2 % facing east and west (tests/expect/test_past_energy.py). A decade costs 0.3 s a cell and 0.03 s a
plane.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pandas as pd

from watcher.align.window import Bools, Floats, Ints
from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.domain.site import Site, SiteRecord
from watcher.expect.expectation import Basis
from watcher.expect.geometry import Sky, plane_under, sky_at
from watcher.expect.irradiance import Components, Split, split, transpose
from watcher.expect.past_sunshine import PastSunshine
from watcher.expect.plant import (
    BOUND_TEMP_AIR,
    TEMP_AIR_DEFAULT,
    WIND_DEFAULT_MS,
    array_dc,
    cell_temperature,
    power_by_subject,
)

CELL_DEG, CELL_M = 0.25, 100.0
"""Places within this share the sun's path: half of it is half a minute of time, 0.3 % of a month's energy at most."""

TWILIGHT_DEG = -14.0
"""Hours with the sun lower than this are left out: low enough that the hour before the first lit one stays in, for
DIRINT looks back, and for the error of 5 degrees of a sun without the equation of time."""

TYPICAL_CLEARNESS = (0.25, 0.6, 0.95)
"""Dull, broken and clear hours in equal shares: about a British year (own choice). Its level is each site's to learn,
only its season and its planes count."""

_MOST_CLEARNESS = 1.2  # an hour's mean over the clear sky's; beside clouds minutes reach 1.5, hours do not


@dataclass(frozen=True, slots=True, eq=False)
class PastEnergy:
    """Hours in a row; entry i of `sums` is the sum of all hours before the i-th, so one longer than the hours.

    begin_ms: of the first hour [ms]
    expected_sums: of the hours whose sunshine is known. [Wh]
    known_sums, clear_sums: under a clear sky, of those hours, and of all. [Wh]
    """

    begin_ms: int
    expected_sums: Floats
    known_sums: Floats
    clear_sums: Floats

    @property
    def end_ms(self) -> int:
        return self.begin_ms + HOUR_MS * (len(self.clear_sums) - 1)

    def between(self, starts_ms: Ints, ends_ms: Ints) -> Sums:
        """Sums over stretches, a part of an hour in proportion. Outside the hours held nothing is known."""
        held = HOUR_MS * np.arange(len(self.clear_sums), dtype=np.int64) + self.begin_ms

        def of(sums: Floats) -> Floats:
            return np.asarray(np.interp(ends_ms, held, sums) - np.interp(starts_ms, held, sums), dtype=np.float64)

        clear, known = of(self.clear_sums), of(self.known_sums)
        inside = (starts_ms >= self.begin_ms) & (ends_ms <= self.end_ms)
        share = np.where(inside & (clear > 0.0), known / np.maximum(clear, 1e-9), 0.0)
        # What is missing is taken to have been like the rest of the stretch; `known` says how much that is.
        expected = np.where(share > 0.0, of(self.expected_sums) / np.maximum(share, 1e-9), np.nan)
        return Sums(expected, np.where(inside, clear, np.nan), share)

    def when(self, start_ms: int, wh: float) -> int:
        """The instant by which this much was expected since the start, at the latest the end of what is held. [ms]"""
        held = HOUR_MS * np.arange(len(self.expected_sums), dtype=np.int64) + self.begin_ms
        begun = float(np.interp(start_ms, held, self.expected_sums))
        return round(float(np.interp(begun + wh, self.expected_sums, held)))


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """expected: NaN where no hour is known. clear: of a clear sky in cold air, a bound. [Wh] known: share [0..1]"""

    expected: Floats
    clear: Floats
    known: Floats


def past_energy(record: SiteRecord, inverters: Sequence[str], sunshine: PastSunshine) -> PastEnergy:
    """AC energy that these inverters should have made, by the facts in force in each hour. ValueError for no hours."""
    ends = sunshine.hour_ending_ms
    if not len(ends):
        raise ValueError("no hours of sunshine")
    base = record.base
    lit, sky = sky_of_hours(base.latitude_deg, base.longitude_deg, base.altitude_m, int(ends[0]), len(ends))
    made, clear = np.zeros(len(ends)), np.zeros(len(ends))
    ghi = np.minimum(sunshine.ghi[lit], _MOST_CLEARNESS * np.maximum(sky.ghi, 1.0))
    measured = sunshine.basis[lit] == Basis.MEASURED
    light = split(sky, ghi, Split.DIRINT if measured.mean() > 0.5 else Split.ERBS)
    air = np.where(np.isnan(sunshine.temp_air[lit]), TEMP_AIR_DEFAULT, sunshine.temp_air[lit])
    wind = np.where(np.isnan(sunshine.wind_speed[lit]), WIND_DEFAULT_MS, np.maximum(sunshine.wind_speed[lit], 0.0))
    cold, still = np.full(len(air), BOUND_TEMP_AIR), np.full(len(air), WIND_DEFAULT_MS)
    bound = Components(sky.ghi, sky.dni, sky.dhi)
    begins = ends[lit] - HOUR_MS
    for from_ms, until_ms in pairwise((-(2**62), *record.changes(), 2**62)):
        part = (begins >= from_ms) & (begins < until_ms)
        if part.any():
            site = record.at(max(from_ms, 0))
            rows = np.flatnonzero(lit)[part]
            made[rows] = _power(site, inverters, sky, light, air, wind)[part]
            clear[rows] = _power(site, inverters, sky, bound, cold, still)[part]
    known = np.isfinite(made)
    return PastEnergy(
        int(ends[0]) - HOUR_MS, _sums(np.where(known, made, 0.0)), _sums(np.where(known, clear, 0.0)), _sums(clear)
    )


def _sums(hours: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(hours)))


def _power(
    site: Site, inverters: Sequence[str], sky: Sky, light: Components, air: Floats, wind: Floats
) -> Floats:  # fmt: skip
    """The sum of these inverters' AC power; 0 where the site has none of them. [W]"""
    dc = {}
    for array in site.arrays:
        under = transpose(plane_under(sky, array.tilt_deg, array.azimuth_deg), light)
        dc[array.id] = array_dc(array, under.effective, cell_temperature(array.mounting, under.total, air, wind))
    by_subject = power_by_subject(site, dc)
    total: Floats = np.sum([by_subject[id] for id in inverters if id in by_subject] or [np.zeros(len(air))], axis=0)
    return total


def typical_sunshine(record: SiteRecord, from_ms: int, until_ms: int) -> PastSunshine:
    """A sky that is like no day and like every year, for sites of whose sunshine nothing is known. Basis: WEATHER."""
    ends = np.arange(from_ms // HOUR_MS * HOUR_MS + HOUR_MS, until_ms + HOUR_MS, HOUR_MS, dtype=np.int64)
    base = record.base
    lit, sky = sky_of_hours(base.latitude_deg, base.longitude_deg, base.altitude_m, int(ends[0]), len(ends))
    ghi = np.zeros(len(ends))
    # By days, so that each hour of the day meets every clearness within three of them.
    kind = ends // DAY_MS % len(TYPICAL_CLEARNESS)
    ghi[lit] = np.asarray(TYPICAL_CLEARNESS)[kind[lit]] * sky.ghi
    unknown = np.full(len(ends), np.nan)
    return PastSunshine(ends, ghi, unknown, unknown.copy(), np.full(len(ends), Basis.WEATHER, dtype=np.int8))


def sky_of_hours(
    latitude_deg: float, longitude_deg: float, altitude_m: float, first_end_ms: int, hours: int
) -> tuple[Bools, Sky]:
    """(which hours of a row are lit, the sky over their middles), shared by the places of a cell."""
    cell = round(latitude_deg / CELL_DEG) * CELL_DEG, round(longitude_deg / CELL_DEG) * CELL_DEG
    return _sky_of_hours(*cell, round(altitude_m / CELL_M) * CELL_M, first_end_ms, hours)


@lru_cache(maxsize=32)
def _sky_of_hours(
    latitude_deg: float, longitude_deg: float, altitude_m: float, first_end_ms: int, hours: int
) -> tuple[Bools, Sky]:
    middles = first_end_ms - HOUR_MS // 2 + HOUR_MS * np.arange(hours, dtype=np.int64)
    times = pd.DatetimeIndex(pd.to_datetime(middles, unit="ms", utc=True))
    lit = _rough_elevation_deg(latitude_deg, longitude_deg, middles) > TWILIGHT_DEG
    lit.setflags(write=False)
    return lit, sky_at(latitude_deg, longitude_deg, altitude_m, times[lit])


def _rough_elevation_deg(latitude_deg: float, longitude_deg: float, at_ms: Ints) -> Floats:
    """The sun's height by its mean path (Cooper 1969 for the declination), to a few degrees."""
    day, hour = at_ms / DAY_MS, at_ms % DAY_MS / HOUR_MS
    declination = np.radians(23.45 * np.sin(2.0 * np.pi * (day - 80.0) / 365.2425))
    angle = np.radians(15.0 * (hour - 12.0) + longitude_deg)
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))
