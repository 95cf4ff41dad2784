"""A horizontal sensor led to a plane, against a sensor in that plane: Golden, Colorado, 40 degrees south, measured."""

from __future__ import annotations

import csv
import gzip
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from made_windows import Day, gauge, midnight

from watcher.align.window import Floats
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY, to_ms
from watcher.domain.site import Array, Inverter, Mounting, Sensor, Site
from watcher.expect.band import LOWER_FACTOR
from watcher.expect.day import expect_day, join
from watcher.expect.expectation import Basis, Expected

GOLDEN_TIME = timezone(timedelta(hours=-7))

MINUTES = ("midc_srrl_golden_2019-03-10_17.csv.gz", "%Y-%m-%d %H:%M:%S", "ghi_wm2", "poa_40deg_south_wm2")
FIVE_MINUTES = ("rmis_golden_5min_2019-02-01_06.csv.gz", "%m/%d/%Y %H:%M", "ghi", "poa")


def rows(path: Path, form: str, *columns: str) -> Iterator[tuple[int, list[float]]]:
    with gzip.open(path, "rt") as lines:
        for row in csv.DictReader(lines):
            text = next(iter(row.values()))
            if text and all(row[column] for column in columns):
                instant = datetime.strptime(text, form).replace(tzinfo=GOLDEN_TIME)
                yield to_ms(instant), [float(row[column]) for column in columns]


def on_the_grid(path: Path, form: str, column: str, start_ms: int, days: int) -> Floats:
    """Means of the values inside each interval; NaN where there is none."""
    total, count = np.zeros(days * POINTS_A_DAY), np.zeros(days * POINTS_A_DAY)
    for time_ms, (value,) in rows(path, form, column):
        index = (time_ms - start_ms) // GRID_MS
        if 0 <= index < len(total):
            total[index] += value
            count[index] += 1
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def led_to_the_plane(ghi: Floats, start_ms: int) -> Expected:
    array = Array("a", 40.0, 180.0, 4000.0, "inverter-1.input-1", mounting=Mounting.OPEN_RACK)
    site = Site(
        "golden",
        "Golden",
        39.742,
        -105.18,
        1829.0,
        ZoneInfo("America/Denver"),
        arrays=(array,),
        inverters=(Inverter("inverter-1", 9000.0),),
        sensors=(Sensor("sensor-1"),),
    )
    days = []
    for index in range(len(ghi) // POINTS_A_DAY):
        day = Day(start_ms + index * DAY_MS)
        part = ghi[index * POINTS_A_DAY : (index + 1) * POINTS_A_DAY]
        days.append(expect_day(site, day.window({"sensor-1.ghi": gauge(part.copy(), day.ends)}), day.start_ms))
    return join(days)


@pytest.mark.parametrize(
    ("source", "start_ms", "days", "bias", "rmse_wm2", "inside"),
    [
        # Measured with this code: -0.3 % and 27 W/m2, 96 % inside the band; +0.3 % and 39 W/m2, 92 %.
        pytest.param(MINUTES, midnight(2019, 3, 10), 8, 0.01, 30.0, 0.94, id="eight days of March, by the minute"),
        pytest.param(FIVE_MINUTES, midnight(2019, 2, 1), 6, 0.01, 42.0, 0.88, id="six days of February with snow"),
    ],
)
def test_a_horizontal_sensor_tells_the_plane(
    shared_folder: Path,
    source: tuple[str, str, str, str],
    start_ms: int,
    days: int,
    bias: float,
    rmse_wm2: float,
    inside: float,
) -> None:
    """Energy, error by the interval, and how often the sensor in the plane lies within the band that is claimed."""
    name, form, horizontal, in_plane = source
    path = shared_folder / "data" / "irradiance_1min" / name
    found = led_to_the_plane(on_the_grid(path, form, horizontal, start_ms, days), start_ms)
    truth = on_the_grid(path, form, in_plane, start_ms, days)
    ours = found.poa_wm2["a"]
    judged = np.isfinite(truth) & np.isfinite(ours) & (found.sun_elevation_deg > 5)
    assert (found.basis[judged] == Basis.MEASURED).all()
    assert judged.sum() >= 400
    error = ours[judged] - truth[judged]
    assert abs(error.sum()) < bias * truth[judged].sum()
    assert np.sqrt(np.mean(error**2)) < rmse_wm2

    power = found.by_subject["inverter-1.input-1"]
    ratio = truth[judged] / ours[judged]
    low = power.low[judged] / power.expected[judged]
    high = power.high[judged] / power.expected[judged]
    assert np.mean((low <= ratio) & (ratio <= high)) > inside
    assert low.max() <= LOWER_FACTOR[Basis.MEASURED]
