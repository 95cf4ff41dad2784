"""A folder as an installer has it: a watcher file, site files, and tables from a logger."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from watcher.cli import main
from watcher.clock import SystemClock
from watcher.domain.instant import DAY_MS, GRID_MS, floor_day, iso
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files
from watcher.worker import Worker

HOME = """
[site]
name = "4 Test Lane"
latitude_deg = 51.5
longitude_deg = -0.1
altitude_m = 20
zone = "Europe/London"

[[array]]
id = "south"
tilt_deg = 35
azimuth_deg = 180
peak_power_w = 4000
input = "inverter-1.input-1"

[[inverter]]
id = "inverter-1"
ac_limit_w = 3680

[[meter]]
id = "meter-1"
role = "generation"
covers = ["inverter-1"]

[[source]]
kind = "file"
device = "inverter-1"
address = "power.csv"
every_s = 300

[[source]]
kind = "file"
device = "meter-1"
address = "meter.csv"
every_s = 300

[[contact]]
role = "owner"
email = "owner@example.org"
"""

WATCHER = """
data_folder = "data"
sites_folder = "sites"

[mail]
sender = "watch@example.org"
folder = "mails"

[operator]
email = "operator@example.org"
"""

MAP = """
[time]
column = "time"
zone = "UTC"
label = "instant"

[[column]]
name = "value"
channel = "{channel}"
unit = "{unit}"
"""


@dataclass(frozen=True, slots=True)
class Place:
    """folder: where watcher.toml stands. capture: what the commands print"""

    folder: Path
    capture: pytest.CaptureFixture[str]

    @property
    def config(self) -> Path:
        return self.folder / "watcher.toml"

    @property
    def files(self) -> Files:
        return Files(self.folder / "data")

    def site_file(self, name: str, text: str) -> Path:
        path = self.folder / "sites" / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def run(self, command: str, *arguments: str | Path) -> tuple[int, str, str]:
        """Exit code, standard output, standard error."""
        self.capture.readouterr()
        code = main([command, "--config", str(self.config), *map(str, arguments)])
        out, err = self.capture.readouterr()
        return code, out, err

    def table(self, name: str, rows: Iterable[tuple[int, float | str]]) -> Path:
        path = self.folder / f"{name}.csv"
        path.write_text("time,value\n" + "".join(f"{iso(at)},{value}\n" for at, value in rows), encoding="utf-8")
        return path

    def map(self, name: str, channel: str, unit: str) -> Path:
        path = self.folder / f"{name}.toml"
        path.write_text(MAP.format(channel=channel, unit=unit), encoding="utf-8")
        return path

    def import_power(self) -> tuple[int, str, str]:
        """A day on which the inverter made about 2 kW throughout."""
        table = self.table("power", ((at, power_w(at)) for at in a_day()))
        return self.run("import", table, "--site", "home-1", "--columns", self.map("power", "inverter-1.ac_power", "W"))

    def import_meter(self) -> tuple[int, str, str]:
        """The same day's meter readings: its register stood still."""
        table = self.table("meter", ((at, 1234.5) for at in a_day()))
        columns = self.map("meter", "meter-1.energy_index", "kWh")
        return self.run("import", table, "--site", "home-1", "--columns", columns)

    def judge(self) -> None:
        """What the worker does each quarter of an hour."""
        with SqliteReadings.open_reader(self.files.readings) as readings, Ledger(self.files.ledger_url) as ledger:
            (answer,) = Worker(readings, ledger).answer({"evaluate": ["home-1"]})["judged"]
        assert "error" not in answer


def a_day() -> range:
    """The five-minute instants of the day before yesterday: lately enough that rows imported today are merely late."""
    begin = floor_day(SystemClock().now_ms()) - 2 * DAY_MS
    return range(begin, begin + DAY_MS, GRID_MS)


def power_w(at_ms: int) -> float:
    """Never the same twice in a row: power that does not move is no measurement."""
    return 2000.0 + at_ms // GRID_MS % 97


@pytest.fixture
def place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Place:
    (tmp_path / "sites").mkdir()
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    (tmp_path / "sites" / "home-1.toml").write_text(HOME, encoding="utf-8")
    return Place(tmp_path, capsys)
