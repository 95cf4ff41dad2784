"""The simulated fleet: plausible homes, the same each time, whose spreadsheets say what their meters showed."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from watcher.domain.instant import DAY_MS, parse_iso
from watcher.expect.geometry import sky_at
from watcher.simulate.fleet import BEGIN_MS, END_MS, FleetHome
from watcher.simulate.fleet_readings import Book, keep_book
from watcher.simulate.fleet_roof import FleetFault, FleetPlane, FleetRoof, counted_wh, everyday_dirt, made_wh
from watcher.simulate.fleet_sky import ArchiveErrors, CellSky, hours_of, sun_columns, told
from watcher.simulate.fleet_tables import write_readings, write_sites
from watcher.simulate.fleet_world import FleetWorld, fleet_world
from watcher.simulate.sun import sun_at

HOMES = 12


@pytest.fixture(scope="module")
def world() -> FleetWorld:
    return fleet_world(HOMES, 5, half_dead=2, stopped=1)


@pytest.fixture(scope="module")
def sky(world: FleetWorld) -> CellSky:
    return next(iter(world.cells.values()))[1]


def plain(**facts: object) -> FleetRoof:
    whole = {"planes": (FleetPlane(35.0, 180.0, 4000.0),), "limits_w": (3680.0,), **facts}
    return FleetRoof(**whole)  # type: ignore[arg-type]


def test_the_same_seed_gives_the_same_fleet(world: FleetWorld) -> None:
    again = fleet_world(HOMES, 5, half_dead=2, stopped=1)
    assert again.homes == world.homes
    assert fleet_world(HOMES, 6, half_dead=2, stopped=1).homes != world.homes


def test_faults_fall_on_as_many_homes_as_asked_for(world: FleetWorld) -> None:
    kinds = [home.fault.kind for home, _ in world.homes if home.fault is not None]
    assert len(kinds) == 3
    assert kinds.count("meter-stopped") == 1


def test_the_sun_in_columns_is_the_sun(sky: CellSky) -> None:
    at = np.array([parse_iso(f"2019-{month:02d}-11T{hour:02d}:30:00Z") for month in (1, 6) for hour in (9, 12, 16)])
    elevation, azimuth, extra = sun_columns(at, 53.4, -2.3)
    for n, ms in enumerate(at.tolist()):
        one = sun_at(ms, 53.4, -2.3)
        assert elevation[n] == pytest.approx(one.elevation_deg, abs=0.3)  # refraction is left out of the columns
        assert azimuth[n] == pytest.approx(one.azimuth_deg, abs=0.01)
        assert extra[n] == pytest.approx(one.extra_dni)


def test_its_clear_sky_is_near_the_published_one(sky: CellSky) -> None:
    """Within a tenth at a good sun height of Ineichen and Perez with the month's turbidity."""
    import pandas as pd

    times = pd.DatetimeIndex(pd.to_datetime(["2019-06-11T12:30Z", "2019-06-11T09:30Z", "2019-03-11T12:30Z"]))
    published = sky_at(53.4, -2.3, 60.0, times).ghi
    places = np.searchsorted(sky.hour_ending_ms, times.as_unit("ms").asi8 + 1_800_000)
    assert sky.clear[places] == pytest.approx(published, rel=0.12)


def test_a_kilowatt_makes_what_one_makes_in_britain(sky: CellSky) -> None:
    """700 to 1050 kWh a year facing south (common practice, no source); a tenth of it or less in December."""
    made = made_wh(plain(), sky, None, np.zeros(len(sky.ghi)))
    a_year = made.sum() / 1000.0 / 10.0 / 4.0
    assert 700.0 < a_year < 1050.0
    month = (sky.hour_ending_ms // DAY_MS % 365.2425 > 334).astype(float)
    assert np.sum(made * month) < 0.1 * made.sum()


def test_a_year_differs_from_another_as_years_do(sky: CellSky) -> None:
    years = sky.ghi[: 10 * 8760].reshape(10, 8760).sum(axis=1)
    assert 0.015 < years.std() / years.mean() < 0.09


def test_half_dead_makes_half_and_a_stopped_meter_counts_nothing(sky: CellSky) -> None:
    roof, dirt = plain(limits_w=(5000.0,)), np.zeros(len(sky.ghi))
    well = made_wh(roof, sky, None, dirt)
    half = made_wh(roof, sky, FleetFault("string-dead", BEGIN_MS, planes=(0.5,)), dirt)
    assert half.sum() == pytest.approx(0.5 * well.sum(), rel=0.03)  # its inverter's standing loss stays
    late = FleetFault("meter-stopped", (BEGIN_MS + END_MS) // 2, counted=0.0)
    counted = counted_wh(well, sky, late)
    before = sky.hour_ending_ms <= late.from_ms
    assert counted[before].sum() == well[before].sum()
    assert counted[~before].sum() == 0.0


def test_the_archive_errs_by_the_day_and_hardly_in_all(world: FleetWorld, sky: CellSky) -> None:
    ghi = told(sky, ArchiveErrors(), np.random.default_rng(1))
    day, true = (column.reshape(-1, 24).sum(axis=1) for column in (ghi, sky.ghi))
    assert 0.08 < np.std(np.log(day / true)) < 0.25
    assert abs(np.log(ghi.sum() / sky.ghi.sum())) < 0.12
    assert (ghi <= 1.15 * sky.clear + 0.1).all()


def home(world: FleetWorld) -> FleetHome:
    return replace(world.homes[0][0], fault=None, meter_exchange_ms=0, index_kwh=99_000.0, decimals=0)


def test_a_register_goes_round_and_slips_are_kept_beside_the_truth(world: FleetWorld, sky: CellSky) -> None:
    made = made_wh(plain(), sky, None, everyday_dirt(len(sky.ghi), np.random.default_rng(2)))
    book: Book = keep_book(home(world), made, np.random.default_rng(3), slips=0.2)
    true = [one.true_kwh for one in book.readings]
    assert sum(b < a for a, b in pairwise(true)) == 1
    assert max(true) < 100_000.0
    assert 2 <= sum(bool(one.slip) for one in book.readings) <= 16
    assert all((one.kwh == one.true_kwh) == (one.slip == "") for one in book.readings)


def test_the_spreadsheets_hold_every_reading_and_every_plane(world: FleetWorld, tmp_path: Path) -> None:
    write_sites((one for one, _ in world.homes), tmp_path / "sites.csv")
    write_readings(world.homes, tmp_path / "readings.csv")
    with (tmp_path / "sites.csv").open(encoding="utf-8", newline="") as lines:
        sites = list(csv.DictReader(lines))
    with (tmp_path / "readings.csv").open(encoding="utf-8", newline="") as lines:
        readings = list(csv.DictReader(lines))
    assert {row["Site ID"] for row in sites} == {one.id for one, _ in world.homes}
    assert len(sites) >= sum(len(one.papers) for one, _ in world.homes)
    exchanges = sum(book.exchange is not None for _, book in world.homes)
    assert len(readings) == sum(len(book.readings) for _, book in world.homes) + 2 * exchanges


def test_ten_years_are_whole_days_of_hours() -> None:
    ends = hours_of(BEGIN_MS, END_MS)
    assert len(ends) == (END_MS - BEGIN_MS) // 3_600_000
    assert ends[0] == BEGIN_MS + 3_600_000
    assert ends[-1] == END_MS
