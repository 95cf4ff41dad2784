"""The national laboratory's worked year through our chain: 4 kW near Denver, on a roof and on a rack.

Not measured: the public calculator's own output, hour by hour, with every figure between sky and grid. Its hours
(values for the hour, sun at mid-hour) enter as satellite means over an hour and go through every step of ours.
"""

from __future__ import annotations

import csv
import gzip
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from made_windows import gauge, midnight

from watcher.align.window import Floats, Window
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS
from watcher.domain.site import Array, Inverter, Module, Mounting, Site
from watcher.expect.day import expect_day, join
from watcher.expect.expectation import Expected

YEAR = midnight(2025, 1, 1)
PER_HOUR = HOUR_MS // GRID_MS
STANDARD_TIME_H = 7  # the file's hours are UTC-7


def read_year(folder: Path, kind: str) -> dict[str, Floats]:
    """Columns by name, in UTC; the last hours of the year stand before the first."""
    with gzip.open(folder / "data" / "worked_example_pvwatts_denver" / f"{kind}mount_8760.csv.gz", "rt") as lines:
        rows = list(csv.DictReader(lines))
    return {name: np.roll([float(row[name]) for row in rows], STANDARD_TIME_H) for name in rows[0]}


def through_our_chain(hours: dict[str, Floats], mounting: Mounting) -> Expected:
    # A "standard" module of the calculator: -0.47 %/K; 14.0757 % losses; DC/AC 1.2.
    array = Array("a", 20.0, 180.0, 4000.0, "inverter-1.input-1", mounting=mounting, module=Module(gamma_per_k=-0.0047))
    site = Site(
        "golden",
        "Golden",
        39.73,
        -105.18,
        1819.6,
        ZoneInfo("America/Denver"),
        arrays=(array,),
        inverters=(Inverter("inverter-1", 3333.333),),
    )
    points = 8760 * PER_HOUR
    labels = -(-(YEAR + GRID_MS * np.arange(1, points + 1, dtype=np.int64)) // HOUR_MS) * HOUR_MS
    columns = {"dni": "dni_wm2", "dhi": "dhi_wm2", "temp_air": "t_air_c", "wind_speed": "wind_ms"}
    gauges = {
        f"weather-analysis.{ours}": gauge(np.repeat(hours[theirs], PER_HOUR), labels, labels)
        for ours, theirs in columns.items()
    }
    window = Window(YEAR, points, gauges, {})
    return join([expect_day(site, window, YEAR + day * DAY_MS, loss=0.14075660688) for day in range(365)])


@pytest.mark.parametrize(("kind", "mounting"), [("roof", Mounting.ROOF), ("rack", Mounting.OPEN_RACK)])
def test_the_worked_year_comes_out_within_1_percent(shared_folder: Path, kind: str, mounting: Mounting) -> None:
    """Annual energies, and the hourly error of each step: 3 W/m2 in the plane, 20 W DC and 20 W AC of 4000 W."""
    hours = read_year(shared_folder, kind)
    found = through_our_chain(hours, mounting)
    ours = {
        "poa_wm2": (found.poa_wm2["a"], 3.0),
        "dc_w": (found.by_subject["inverter-1.input-1"].expected, 20.0),
        "ac_w": (found.by_subject["inverter-1"].expected, 20.0),
    }
    for name, (values, bound) in ours.items():
        hourly = values.reshape(-1, PER_HOUR).mean(axis=1)
        theirs = hours[name]
        judged = np.isfinite(hourly)
        # Hours the calculator's weather file sets over 1.25 times a clear sky are no reference to us.
        assert theirs[~judged].sum() < 0.006 * theirs.sum()
        error = hourly[judged] - theirs[judged]
        rmse = float(np.sqrt(np.mean(error**2)))
        print(f"{kind} {name}: {error.sum() / theirs[judged].sum():+.2%} a year, {rmse:.1f} RMSE by the hour")
        assert abs(error.sum()) < 0.01 * theirs[judged].sum()
        assert rmse < bound
    ac = found.by_subject["inverter-1"].expected
    assert np.nanmax(ac) == pytest.approx(3333.333, abs=1e-3)
    assert max(hours["ac_w"]) == pytest.approx(3333.333, abs=1e-3)
