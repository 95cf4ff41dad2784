"""Irradiance from netCDF files of public satellite archives, by the names of the CF conventions.

Rule: a variable is found by its standard name, places and times by their units; what a value's time means is taken from
the file's bounds, or said by the user, or it is a moment. Never guessed. Needs the extra "sunshine".

CF conventions 1.11, https://cfconventions.org: standard_name, units "seconds since ...", bounds, cell_methods,
scale_factor, add_offset and _FillValue. A mean of an hour from momentary values is the area under their straight joins.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from watcher.domain.errors import Problem, SetupError
from watcher.domain.instant import HOUR_MS, to_ms
from watcher.store.sunshine import Node

STANDARD_NAMES = (
    "surface_downwelling_shortwave_flux_in_air",
    "surface_downwelling_shortwave_flux",
    "downwelling_shortwave_flux_in_air",
)
_UNITS = ("W m-2", "W/m2", "W m**-2", "W m^-2", "watt m-2", "Wm-2")
_SINCE = re.compile(r"(second|minute|hour|day)s?\s+since\s+(.+)", re.IGNORECASE)
_UNIT_MS = {"second": 1000, "minute": 60_000, "hour": HOUR_MS, "day": 24 * HOUR_MS}
_DEGREES = {"lat": re.compile(r"degrees?_?(north|N)"), "lon": re.compile(r"degrees?_?(east|E)")}
_CALENDARS = ("standard", "gregorian", "proleptic_gregorian")
_MOST_VALUES = 20_000_000
"""Read at once: 160 MB."""
_HIGHEST_WM2 = 2000.0

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class TimeIs(StrEnum):
    """What a value's time means, where the file does not say."""

    MOMENT = "moment"
    START = "start"
    MIDDLE = "middle"
    END = "end"


class Place(NamedTuple):
    latitude_deg: float
    longitude_deg: float


@dataclass(slots=True)
class Archive:
    """Values gathered from files, by node of their grid.

    times: of each piece, (start, end) of its periods, the same where its values are momentary [ms]
    """

    pieces: dict[Node, list[tuple[Ints, Ints, Floats]]] = field(default_factory=dict)
    outside: set[Place] = field(default_factory=set)

    def hours(self, node: Node) -> Iterable[tuple[str, int, float]]:
        """(ghi, hour's end, mean) of every hour that is wholly told. SetupError for means over longer than an hour."""
        starts, ends, values = (np.concatenate(one) for one in zip(*self.pieces[node], strict=True))
        order = np.argsort(ends, kind="stable")
        starts, ends, values = starts[order], ends[order], values[order]
        once = np.concatenate([[True], np.diff(ends) > 0])
        starts, ends, values = starts[once], ends[once], values[once]
        told = momentary_hours(ends, values) if np.all(starts == ends) else mean_hours(starts, ends, values)
        return (("ghi", int(end), float(value)) for end, value in zip(*told, strict=True))


def read_archive(path: Path, places: Sequence[Place], archive: Archive, time_is: TimeIs | None = None) -> None:
    """Add what a file tells of the nodes nearest to places. SetupError where it is not as the conventions have it."""
    try:
        import h5netcdf
    except ImportError:
        raise _refused(path, 'netCDF needs the extra "sunshine" (pip install pv-watcher[sunshine])') from None
    try:
        with h5netcdf.File(str(path), "r", decode_vlen_strings=True) as file:
            _read(path, file, places, archive, time_is)
    except (OSError, KeyError, ValueError, TypeError, AttributeError) as error:
        raise _refused(path, f"cannot be read as netCDF 4: {error}") from None


def momentary_hours(times: Ints, values: Floats) -> tuple[Ints, Floats]:
    """Means of hours from momentary values an hour apart or closer: the area under straight joins.

    times: ascending. An hour with a gap of more than an hour in it, or without a value at its ends, is not told.
    """
    good = np.isfinite(values)
    times, values = times[good], values[good]
    if len(times) < 2:
        return np.empty(0, np.int64), np.empty(0)
    ends = np.arange(-(-times[0] // HOUR_MS) * HOUR_MS + HOUR_MS, times[-1] + 1, HOUR_MS, dtype=np.int64)
    area = np.concatenate([[0.0], np.cumsum(np.diff(times) * (values[1:] + values[:-1]) / 2)])

    def up_to(at: Ints) -> Floats:
        place = np.clip(np.searchsorted(times, at, side="right") - 1, 0, len(times) - 2)
        share = (at - times[place]) / (times[place + 1] - times[place])
        here = values[place] + share * (values[place + 1] - values[place])
        part: Floats = area[place] + (at - times[place]) * (values[place] + here) / 2
        return part

    gaps = np.concatenate([[0], np.cumsum(np.diff(times) > HOUR_MS)])
    before = np.searchsorted(times, ends - HOUR_MS, side="right") - 1
    after = np.minimum(np.searchsorted(times, ends, side="left"), len(times) - 1)
    whole = gaps[before] == gaps[after]
    return ends[whole], ((up_to(ends) - up_to(ends - HOUR_MS)) / HOUR_MS)[whole]


def mean_hours(starts: Ints, ends: Ints, values: Floats) -> tuple[Ints, Floats]:
    """Means of hours from means over periods that make up whole hours."""
    period_ms = int(np.median(ends - starts))
    if period_ms <= 0 or period_ms > HOUR_MS or HOUR_MS % period_ms:
        minutes = period_ms / 60_000
        why = f"its values are means over {minutes:g} minutes; hours, or what makes up an hour, are needed"
        raise SetupError((Problem("netCDF", "", "", why),))
    fits = (ends - starts == period_ms) & (ends % period_ms == 0) & np.isfinite(values)
    hour = -(-ends[fits] // HOUR_MS) * HOUR_MS
    labels, place, counts = np.unique(hour, return_inverse=True, return_counts=True)
    whole = counts == HOUR_MS // period_ms
    return labels[whole], (np.bincount(place, values[fits], len(labels)) / np.maximum(counts, 1))[whole]


def _read(path: Path, file: Any, places: Sequence[Place], archive: Archive, time_is: TimeIs | None) -> None:
    name, flux = _flux(path, file)
    dimensions = list(flux.dimensions)
    latitudes, longitudes, when = (_axis(path, file, dimensions, kind) for kind in ("lat", "lon", "time"))
    starts, ends = _periods(path, file, name, when[1], time_is)
    lat, lon = np.asarray(latitudes[1][:], np.float64), np.asarray(longitudes[1][:], np.float64)
    lon = np.where(lon > 180, lon - 360, lon)
    if len(lat) < 2 or len(lon) < 2:
        raise _refused(path, "a grid of one point tells no spacing; use a CSV file for a single place")
    grid = float(round(max(np.median(np.abs(np.diff(np.sort(one)))) for one in (lat, lon)), 4))
    chosen: dict[Node, tuple[int, int]] = {}
    for place in places:
        row, column = int(np.argmin(np.abs(lat - place[0]))), int(np.argmin(np.abs(lon - place[1])))
        node = Node(round(float(lat[row]), 4), round(float(lon[column]), 4), grid)
        if node.serves(*place):
            chosen[node] = (row, column)
        else:
            archive.outside.add(place)
    if not chosen:
        return
    rows, columns = ({one[at] for one in chosen.values()} for at in (0, 1))
    box = {"lat": slice(min(rows), max(rows) + 1), "lon": slice(min(columns), max(columns) + 1)}
    area = (max(rows) - min(rows) + 1) * (max(columns) - min(columns) + 1)
    step = max(1, _MOST_VALUES // area)
    axes = {latitudes[0]: "lat", longitudes[0]: "lon", when[0]: "time"}
    order = [dimensions.index(one[0]) for one in (when, latitudes, longitudes)]
    for first in range(0, len(ends), step):
        part = slice(first, min(first + step, len(ends)))
        raw = flux[tuple(part if axes[one] == "time" else box[axes[one]] for one in dimensions)]
        values = _unpacked(flux, np.transpose(np.asarray(raw), order))
        for node, (row, column) in chosen.items():
            own = values[:, row - min(rows), column - min(columns)].copy()  # a view would keep the whole piece
            archive.pieces.setdefault(node, []).append((starts[part], ends[part], own))


def _flux(path: Path, file: Any) -> tuple[str, Any]:
    found = [(name, one) for name, one in file.variables.items() if _said(one, "standard_name") in STANDARD_NAMES]
    found = [(name, one) for name, one in found if len(one.dimensions) == 3] or found
    if len(found) != 1:
        some = ", ".join(name for name, _ in found) or "none"
        why = f"one variable with standard_name {STANDARD_NAMES[0]} is needed; it has {some}"
        raise _refused(path, why)
    name, flux = found[0]
    if _said(flux, "units") not in _UNITS:
        raise _refused(path, f"{name} is in {_said(flux, 'units')!r}; W m-2 is understood")
    if len(flux.dimensions) != 3:
        raise _refused(
            path, f"{name} has {len(flux.dimensions)} dimensions; latitude, longitude and time are understood"
        )
    return name, flux


def _axis(path: Path, file: Any, dimensions: Sequence[str], kind: str) -> tuple[str, Any]:
    """The dimension of a kind, with its coordinates: by their units, which the conventions require."""
    for one in dimensions:
        if one not in file.variables:
            continue
        units = _said(file.variables[one], "units")
        if kind == "time" and _SINCE.fullmatch(units) is not None:
            return one, file.variables[one]
        if kind in _DEGREES and _DEGREES[kind].fullmatch(units) is not None:
            return one, file.variables[one]
    raise _refused(path, f"none of its dimensions {', '.join(dimensions)} is a {kind} by its units")


def _periods(path: Path, file: Any, name: str, when: Any, time_is: TimeIs | None) -> tuple[Ints, Ints]:
    """Starts and ends of what the values tell of, the same where they are momentary. [ms]"""
    if _said(when, "calendar") not in ("", *_CALENDARS):
        raise _refused(path, f"its calendar is {_said(when, 'calendar')!r}; {', '.join(_CALENDARS)} are understood")
    times = _instants(path, when, np.asarray(when[:], np.float64))
    bounds = _said(when, "bounds")
    if bounds and bounds in file.variables and time_is is None:
        both = _instants(path, when, np.asarray(file.variables[bounds][:], np.float64))
        return both[:, 0], both[:, 1]
    mean = "mean" in _said(file.variables[name], "cell_methods")
    if mean and time_is is None:
        why = "its values are means, and it does not say of which period: give --time-is start, middle or end"
        raise _refused(path, why)
    if time_is in (None, TimeIs.MOMENT):
        return times, times
    if len(times) < 2:
        raise _refused(path, "a single time tells no period")
    period = int(np.median(np.diff(times)))
    shift = {TimeIs.START: 0, TimeIs.MIDDLE: -period // 2, TimeIs.END: -period}[time_is or TimeIs.END]
    return times + shift, times + shift + period


def _instants(path: Path, when: Any, numbers: Floats) -> Ints:
    match = _SINCE.fullmatch(_said(when, "units"))
    assert match is not None  # it is the time axis by these units
    text = match[2].strip().replace("UTC", "").strip().removesuffix(".0")
    try:
        begin = datetime.fromisoformat(text)
    except ValueError:
        raise _refused(path, f"its times count from {match[2]!r}, which is no date") from None
    begin = begin.replace(tzinfo=UTC) if begin.tzinfo is None else begin
    if begin < datetime(1, 1, 2, tzinfo=UTC) + timedelta(days=1):
        raise _refused(path, f"its times count from {match[2]!r}")
    return to_ms(begin) + np.rint(numbers * _UNIT_MS[match[1].lower()]).astype(np.int64)


def _unpacked(flux: Any, raw: npt.NDArray[Any]) -> Floats:
    """Values in W/m2, NaN where the file has none or none that can be."""
    bad = np.zeros(raw.shape, dtype=bool)
    for name in ("_FillValue", "missing_value"):
        if name in flux.attrs:
            bad |= raw == np.asarray(flux.attrs[name]).ravel()[0]
    scale, offset = (
        float(np.asarray(flux.attrs.get(name, none)).ravel()[0])
        for name, none in (("scale_factor", 1.0), ("add_offset", 0.0))
    )
    values = raw.astype(np.float64) * scale + offset
    values[bad | ~(values >= -20) | (values > _HIGHEST_WM2)] = np.nan
    return np.maximum(values, 0.0)


def _said(variable: Any, name: str) -> str:
    value = variable.attrs.get(name, "")
    return value.decode() if isinstance(value, bytes) else str(value)


def _refused(path: Path, why: str) -> SetupError:
    return SetupError((Problem(str(path), "", "", why),))
