"""A file of hourly irradiance: imported under the satellite's name, and used as the site's reference."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from watcher.align.build import build_window
from watcher.cli import main
from watcher.config import load_sites
from watcher.domain.instant import HOUR_MS, POINTS_A_DAY, iso, parse_iso
from watcher.expect.day import expect_day
from watcher.expect.expectation import Basis
from watcher.expect.geometry import sky_of_day
from watcher.store.readings import SqliteReadings

CONFIG = Path(__file__).resolve().parents[3] / "config"
SUNSHINE = CONFIG / "columns" / "sunshine.toml"
DAY = parse_iso("2026-06-21T00:00Z")
SITE = """
[site]
name = "12 Example Road"
latitude_deg = 51.48
longitude_deg = -0.45
altitude_m = 25
zone = "Europe/London"

[[array]]
id = "south"
tilt_deg = 35
azimuth_deg = 175
peak_power_w = 2400
input = "inverter-1.input-1"

[[inverter]]
id = "inverter-1"
ac_limit_w = 3680

[[source]]
kind = "modbus-tcp"
device = "inverter-1"
address = "127.0.0.1:502"
"""
FILE = """
[[source]]
kind = "file"
device = "weather-analysis"
address = "sunshine.csv"
period_s = 3600
label = "mean-ending"
"""


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """A watcher file with one site, and a day of sunshine by the hour, labelled with its beginning."""
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "home-1.toml").write_text(SITE + FILE)
    (tmp_path / "watcher.toml").write_text(
        'data_folder = "data"\nsites_folder = "sites"\n[mail]\nsender = "watch@example.org"\nfolder = "mails"\n'
        '[operator]\nemail = "operator@example.org"\n'
    )
    sky = sky_of_day(51.48, -0.45, 25, DAY)
    hourly = (0.7 * sky.ghi).reshape(24, 12).mean(axis=1)
    lines = [f"{iso(DAY + hour * HOUR_MS)},{ghi:.1f},-999,-999,15.0,3.0" for hour, ghi in enumerate(hourly)]
    lines[12] = lines[12].replace(lines[12].split(",")[1], "-999", 1)
    (tmp_path / "sunshine.csv").write_text("\n".join(["time,GHI,DNI,DHI,Temperature,Wind", *lines]) + "\n")
    return tmp_path


def imported(folder: Path) -> int:
    arguments: list[Any] = ["import", folder / "sunshine.csv", "--site", "home-1", "--columns", SUNSHINE]
    return main([*map(str, arguments), "--config", str(folder / "watcher.toml")])


def test_the_shipped_map_brings_a_file_of_sunshine_under_the_satellites_name(installed: Path) -> None:
    assert imported(installed) == 0
    with SqliteReadings.open_reader(installed / "data" / "readings.sqlite") as readings:
        found = readings.window("home-1", None, DAY, DAY + 25 * HOUR_MS, 2**60)
    assert set(found) == {f"weather-analysis.{name}" for name in ("ghi", "temp_air", "wind_speed")}
    # Hours that begin at 00:00 to 23:00 end at 01:00 to 24:00; the fill value at noon is no reading.
    ends = [DAY + (hour + 1) * HOUR_MS for hour in range(24) if hour != 12]
    assert list(found["weather-analysis.ghi"].time_ms) == ends


def test_it_is_then_the_sites_reference_hour_by_hour(installed: Path) -> None:
    imported(installed)
    site = load_sites(installed / "sites").good["home-1"].at(DAY)
    with SqliteReadings.open_reader(installed / "data" / "readings.sqlite") as readings:
        raw = readings.window("home-1", None, DAY, DAY + 25 * HOUR_MS, 2**60)
    expected = expect_day(site, build_window(site, raw, (), DAY, POINTS_A_DAY), DAY)
    hours = expected.basis.reshape(24, 12)
    assert (hours[6:12] == Basis.SATELLITE).all()
    assert (hours[12] == Basis.NONE).all()
    assert (hours[13:18] == Basis.SATELLITE).all()
    of_site = expected.by_subject["site"].expected.reshape(24, 12)
    assert np.isnan(of_site[12]).all()
    assert (of_site[13] > 500).all()


def test_hours_are_not_taken_for_moments_where_the_site_file_does_not_say_what_they_are(
    installed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (installed / "sites" / "home-1.toml").write_text(SITE)
    assert imported(installed) == 2
    said = capsys.readouterr()
    assert "no [[source]] for weather-analysis with this period_s" in said.err + said.out
    assert not (installed / "data" / "readings.sqlite").exists()


def test_the_example_in_the_map_is_what_it_reads() -> None:
    text = SUNSHINE.read_text()
    shown = "\n".join(line.removeprefix("#   ") for line in text.splitlines() if line.startswith("#   "))
    assert "time,GHI,DNI,DHI,Temperature,Wind" in shown
    assert all(line.partition("#")[0].strip() in shown for line in FILE.strip().splitlines())
