"""Sunshine of past years over one place, hour by hour: what readings months apart are held against.

Rule: the hours stand without a hole from the first to the last, each named by its end in UTC; what is not known of an
hour is NaN and never a clear sky. How good an hour is, its basis says.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.align.window import Floats, Ints
from watcher.domain.instant import HOUR_MS
from watcher.expect.expectation import Basis

COLUMNS = ("ghi", "temp_air", "wind_speed")
"""What is kept of an hour, in this order, under the names of domain/quantity.py."""

Bases = npt.NDArray[np.int8]


@dataclass(frozen=True, slots=True, eq=False)
class PastSunshine:
    """Hours in a row; all columns have one entry an hour.

    hour_ending_ms: ends of the hours, whole hours UTC, each one hour after the one before
    ghi: mean global horizontal irradiance of the hour, at least 0, NaN where not known [W/m2]
    temp_air, wind_speed: means of the hour, NaN where not known, which is often all of them [degC, m/s]
    basis: of the irradiance (Basis): SATELLITE, WEATHER or MEASURED; NONE where ghi is NaN
    ValueError where columns do not match or the hours are not in a row.
    """

    hour_ending_ms: Ints
    ghi: Floats
    temp_air: Floats
    wind_speed: Floats
    basis: Bases

    def __post_init__(self) -> None:
        if len({len(column) for column in (self.hour_ending_ms, *self.columns(), self.basis)}) != 1:
            raise ValueError("columns of different length")
        if np.any(self.hour_ending_ms % HOUR_MS) or np.any(np.diff(self.hour_ending_ms) != HOUR_MS):
            raise ValueError("hours that are not whole or not in a row")
        if np.any((self.basis == Basis.NONE) != np.isnan(self.ghi)):
            raise ValueError("a basis says where the irradiance is from, and NONE only where there is none")

    def columns(self) -> tuple[Floats, Floats, Floats]:
        """In the order of COLUMNS."""
        return self.ghi, self.temp_air, self.wind_speed

    def over(self, from_ms: int, until_ms: int) -> PastSunshine:
        """The hours that end in (from_ms, until_ms], all of them; those not held here are not known. [ms]"""
        first_ms = from_ms // HOUR_MS * HOUR_MS + HOUR_MS
        ends = np.arange(first_ms, until_ms + 1, HOUR_MS, dtype=np.int64)
        return _laid_over(ends, [self])

    def known(self) -> float:
        """Share of the hours whose irradiance is known, night included; 0 where there are no hours. [0..1]"""
        return float(np.mean(self.basis != Basis.NONE)) if len(self.basis) else 0.0


def past_sunshine(by_name: Mapping[str, Mapping[int, float]], basis: Basis) -> PastSunshine:
    """Hours from scattered values: by name of COLUMNS, and by the hour's end [ms]; others are left out.

    Night offsets of irradiance below 0 count as 0. ValueError for an end that is no whole hour, or a basis that is no
    source.
    """
    if basis in (Basis.NONE, Basis.CLEAR_SKY):
        raise ValueError(f"{basis!r} is no source of sunshine")
    told = [by_name.get(name, {}) for name in COLUMNS]
    known = [end_ms for column in told for end_ms in column]
    if not known:
        return _laid_over(np.empty(0, dtype=np.int64), [])
    ends = np.arange(min(known), max(known) + 1, HOUR_MS, dtype=np.int64)
    columns = [np.full(len(ends), np.nan) for _ in COLUMNS]
    for column, values in zip(columns, told, strict=True):
        at_ms = np.fromiter(values.keys(), dtype=np.int64, count=len(values))
        if np.any(at_ms % HOUR_MS):
            raise ValueError("an hour ends on the hour")
        column[(at_ms - ends[:1]) // HOUR_MS] = np.fromiter(values.values(), dtype=np.float64, count=len(values))
    ghi, temp_air, wind_speed = columns
    of = np.where(np.isnan(ghi), Basis.NONE, basis).astype(np.int8)
    return PastSunshine(ends, np.maximum(ghi, 0.0), temp_air, wind_speed, of)


def joined(parts: Sequence[PastSunshine]) -> PastSunshine:
    """All the hours from the first to the last of several records; where two know an hour, the earlier in the list."""
    held = [part for part in parts if len(part.hour_ending_ms)]
    if not held:
        return _laid_over(np.empty(0, dtype=np.int64), [])
    first_ms = min(int(part.hour_ending_ms[0]) for part in held)
    last_ms = max(int(part.hour_ending_ms[-1]) for part in held)
    return _laid_over(np.arange(first_ms, last_ms + 1, HOUR_MS, dtype=np.int64), held)


def _laid_over(ends: Ints, parts: Sequence[PastSunshine]) -> PastSunshine:
    """The hours of these ends, from the first record that knows each. An hour is taken from one record as a whole."""
    columns = [np.full(len(ends), np.nan) for _ in COLUMNS]
    basis = np.full(len(ends), Basis.NONE, dtype=np.int8)
    for part in parts:
        if not len(ends) or not len(part.hour_ending_ms):
            continue
        shift = (ends - part.hour_ending_ms[0]) // HOUR_MS
        inside = (shift >= 0) & (shift < len(part.hour_ending_ms))
        at = np.where(inside, shift, 0)
        takes = inside & (basis == Basis.NONE) & (part.basis[at] != Basis.NONE)
        # Temperature alone fills what is empty; a better record's irradiance brings its own.
        bare = inside & (basis == Basis.NONE) & ~takes
        for column, own in zip(columns, part.columns(), strict=True):
            column[takes] = own[at[takes]]
            column[bare] = np.where(np.isnan(column[bare]), own[at[bare]], column[bare])
        basis[takes] = part.basis[at[takes]]
    ghi, temp_air, wind_speed = columns
    return PastSunshine(ends, ghi, temp_air, wind_speed, basis)
