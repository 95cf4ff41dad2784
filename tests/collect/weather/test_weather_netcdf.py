"""netCDF files as public satellite archives lay them out, made here by the CF conventions (version 1.11)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5netcdf
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.weather.netcdf import Archive, Place, TimeIs, momentary_hours, read_archive
from watcher.domain.errors import SetupError
from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.store.sunshine import Node

MIDNIGHT = parse_iso("2022-06-21T00:00Z")
LATITUDES, LONGITUDES = np.arange(50.0, 54.01, 0.05), np.arange(-4.0, 1.01, 0.05)
HERE = Place(53.41, -1.52)
NODE = Node(53.4, -1.5, 0.05)


def light(minute: float) -> float:
    """W/m2 at a minute of the day, the same everywhere: a line up and a line down."""
    return max(0.0, 800.0 - 1.5 * abs(minute - 750))


def made(path: Path, minutes: list[float], **other: Any) -> Path:
    """A file of values at these minutes. other: what differs from a file without a fault"""
    given = {
        "standard_name": "surface_downwelling_shortwave_flux_in_air", "units": "W m-2", "name": "SIS",
        "time_units": "days since 1983-01-01 00:00:00", "order": ("time", "lat", "lon"), "packed": True,
        "latitudes": LATITUDES, "longitudes": LONGITUDES, "bounds": None, "cell_methods": None, "calendar": "standard",
        "lat_units": "degrees_north",
    } | other  # fmt: skip
    sizes = {"time": len(minutes), "lat": len(given["latitudes"]), "lon": len(given["longitudes"])}
    begin_days = (MIDNIGHT - parse_iso("1983-01-01T00:00Z")) / 86_400_000
    with h5netcdf.File(path, "w") as file:
        file.dimensions = {**sizes, "nv": 2}
        when = file.create_variable("time", ("time",), "f8")
        when[:] = begin_days + np.asarray(minutes) / 1440
        when.attrs["units"], when.attrs["calendar"] = given["time_units"], given["calendar"]
        if given["bounds"] is not None:
            when.attrs["bounds"] = "time_bnds"
            file.create_variable("time_bnds", ("time", "nv"), "f8")[:] = begin_days + np.asarray(given["bounds"]) / 1440
        for name, units in (("lat", given["lat_units"]), ("lon", "degrees_east")):
            axis = file.create_variable(name, (name,), "f8")
            axis[:] = given["latitudes" if name == "lat" else "longitudes"]
            axis.attrs["units"] = units
        flux = file.create_variable(given["name"], given["order"], "i2" if given["packed"] else "f4")
        values = np.asarray([light(minute) for minute in minutes])
        shape = [sizes[one] for one in given["order"]]
        full = np.broadcast_to(
            np.expand_dims(values, [at for at, one in enumerate(given["order"]) if one != "time"]), shape
        )
        raw = np.rint(full * 10).astype(np.int16) if given["packed"] else full.astype(np.float32)
        raw = np.where(full == light(given.get("hole", -1)), -999, raw) if "hole" in given else raw
        flux[...] = raw
        flux.attrs["standard_name"], flux.attrs["units"] = given["standard_name"], given["units"]
        flux.attrs["_FillValue"] = raw.dtype.type(-999)
        if given["packed"]:
            flux.attrs["scale_factor"], flux.attrs["add_offset"] = 0.1, 0.0
        if given["cell_methods"]:
            flux.attrs["cell_methods"] = given["cell_methods"]
    return path


HALF_HOURS = [30.0 * at for at in range(49)]


def hours(path: Path, time_is: TimeIs | None = None, node: Node = NODE, place: Place = HERE) -> dict[int, float]:
    """Means by the minute of the day at which their hour ends."""
    archive = Archive()
    read_archive(path, [place], archive, time_is)
    return {(end - MIDNIGHT) // MINUTE_MS: value for _, end, value in archive.hours(node)}


def mean(end: float) -> float:
    """Of the light over an hour, by fine steps."""
    return float(np.mean([light(end - 60 + (at + 0.5) / 10) for at in range(600)]))


def test_momentary_half_hours_become_means_of_hours(tmp_path: Path) -> None:
    found = hours(made(tmp_path / "a.nc", HALF_HOURS))
    assert set(found) == {60 * at for at in range(1, 25)}
    for end, value in found.items():
        assert value == pytest.approx(mean(end), abs=2.0), end  # where the light begins, half hours miss it


@pytest.mark.parametrize(
    "other",
    [
        pytest.param({"packed": False}, id="as floats"),
        pytest.param({"order": ("lat", "lon", "time")}, id="time last"),
        pytest.param({"latitudes": LATITUDES[::-1]}, id="from north to south"),
        pytest.param({"longitudes": LONGITUDES % 360}, id="longitudes from 0 to 360"),
        pytest.param({"name": "rsds", "standard_name": "surface_downwelling_shortwave_flux"}, id="another name"),
        pytest.param({"lat_units": "degree_N"}, id="another spelling of degrees"),
        pytest.param({"calendar": "proleptic_gregorian"}, id="calendar"),
    ],
)
def test_files_of_other_layouts_tell_the_same(tmp_path: Path, other: dict[str, Any]) -> None:
    order = np.argsort(other["longitudes"]) if "longitudes" in other else None
    if order is not None:
        other = {"longitudes": other["longitudes"][order]}
    assert hours(made(tmp_path / "b.nc", HALF_HOURS, **other)) == pytest.approx(
        hours(made(tmp_path / "a.nc", HALF_HOURS)), abs=0.1
    )


@pytest.mark.parametrize(
    ("minutes", "time_is", "bounds"),
    [
        pytest.param([60.0 * at for at in range(24)], TimeIs.START, None, id="labelled with their start"),
        pytest.param([60.0 * at + 60 for at in range(24)], TimeIs.END, None, id="with their end"),
        pytest.param([60.0 * at + 30 for at in range(24)], TimeIs.MIDDLE, None, id="with their middle"),
        pytest.param(
            [60.0 * at + 7 for at in range(24)], None, [[60.0 * at, 60.0 * at + 60] for at in range(24)], id="bounds"
        ),
    ],
)
def test_means_of_hours_are_taken_at_the_hours_they_are_of(
    tmp_path: Path, minutes: list[float], time_is: TimeIs | None, bounds: list[list[float]] | None
) -> None:
    found = hours(made(tmp_path / "a.nc", minutes, bounds=bounds, cell_methods="time: mean"), time_is)
    assert found == pytest.approx({60 * at + 60: light(minutes[at]) for at in range(24)}, abs=0.06)


def test_a_value_that_is_none_leaves_its_hours_untold(tmp_path: Path) -> None:
    found = hours(made(tmp_path / "a.nc", [60.0 * at for at in range(25)], hole=600.0))
    assert {end for end in (540, 600, 660, 720) if end in found} == {540, 720}


def test_days_in_files_of_their_own_join_at_midnight(tmp_path: Path) -> None:
    archive = Archive()
    for name, minutes in (("b.nc", [1440.0 + 30 * at for at in range(48)]), ("a.nc", HALF_HOURS[:-1])):
        read_archive(made(tmp_path / name, minutes), [HERE], archive)
    ends = [end for _, end, _ in archive.hours(NODE)]
    assert ends == [MIDNIGHT + at * HOUR_MS for at in range(1, 48)]


def test_a_place_beyond_the_grid_is_told_apart(tmp_path: Path) -> None:
    archive = Archive()
    read_archive(made(tmp_path / "a.nc", HALF_HOURS), [HERE, Place(58.0, -1.5)], archive)
    assert (set(archive.pieces), archive.outside) == ({NODE}, {Place(58.0, -1.5)})


def test_of_a_file_only_the_nodes_asked_for_stay_in_memory(tmp_path: Path) -> None:
    archive = Archive()
    read_archive(made(tmp_path / "a.nc", HALF_HOURS), [HERE, Place(51.5, -0.1)], archive)
    assert all(values.base is None for pieces in archive.pieces.values() for _, _, values in pieces)


@pytest.mark.parametrize(
    ("other", "why"),
    [
        pytest.param({"standard_name": "air_temperature"}, "is needed; it has none", id="of something else"),
        pytest.param({"units": "J m-2"}, "W m-2 is understood", id="energy"),
        pytest.param({"cell_methods": "time: mean"}, "give --time-is", id="means of nobody knows which period"),
        pytest.param({"calendar": "360_day"}, "calendar", id="a year of 360 days"),
        pytest.param({"time_units": "fortnights since 1983-01-01"}, "is a time by its units", id="no time"),
        pytest.param({"time_units": "days since yesterday"}, "is no date", id="no date"),
        pytest.param({"lat_units": "m"}, "is a lat by its units", id="metres"),
    ],
)
def test_what_is_not_as_agreed_is_refused_with_the_reason(tmp_path: Path, other: dict[str, Any], why: str) -> None:
    with pytest.raises(SetupError, match=why):
        hours(made(tmp_path / "a.nc", HALF_HOURS, **other))


def test_means_of_days_are_too_long(tmp_path: Path) -> None:
    path = made(tmp_path / "a.nc", [720.0, 2160.0], bounds=[[0.0, 1440.0], [1440.0, 2880.0]])
    with pytest.raises(SetupError, match="means over 1440 minutes"):
        hours(path)


@pytest.mark.parametrize(
    "harm", [lambda all: b"", lambda all: all[:300], lambda all: b"\x89HDF\r\n\x1a\n" + all[9:400]]
)
def test_a_damaged_file_is_refused(tmp_path: Path, harm: Callable[[bytes], bytes]) -> None:
    path = made(tmp_path / "a.nc", HALF_HOURS)
    path.write_bytes(harm(path.read_bytes()))
    with pytest.raises(SetupError, match="cannot be read as netCDF"):
        hours(path)


@given(st.lists(st.tuples(st.integers(1, 90), st.floats(0, 1000)), min_size=2, max_size=80))
def test_hours_of_momentary_values_lie_within_them_and_never_over_a_gap(steps: list[tuple[int, float]]) -> None:
    times = MIDNIGHT + MINUTE_MS * np.cumsum([minutes for minutes, _ in steps]).astype(np.int64)
    values = np.asarray([value for _, value in steps])
    ends, means = momentary_hours(times, values)
    for end, value in zip(ends, means, strict=True):
        inside = times[(times >= end - 2 * HOUR_MS) & (times <= end + HOUR_MS)]
        assert times[0] <= end - HOUR_MS
        assert end <= times[-1]
        assert np.min(values) - 1e-6 <= value <= np.max(values) + 1e-6
        around = np.searchsorted(times, [end - HOUR_MS, end])
        assert np.all(np.diff(times[max(around[0] - 1, 0) : around[1] + 1])[1:-1] <= HOUR_MS), inside
