"""`watcher triage` over an imported fleet: the list, the table and the page agree, and the page needs nothing else."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from watcher.cli import main
from watcher.commands.demo_readings import WATCHER_FILE, compare, keep_sunshine, write_spreadsheets
from watcher.commands.triage import ranked
from watcher.commands.triage_picture import picture
from watcher.config import load_watcher
from watcher.simulate.fleet_world import FleetWorld, fleet_world
from watcher.store.sunshine import SunshineStore
from watcher.wiring import Files

SEED = 11


@pytest.fixture(scope="module")
def world() -> FleetWorld:
    return fleet_world(14, SEED, half_dead=2, stopped=1)


@pytest.fixture(scope="module")
def fleet(world: FleetWorld, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The watcher file of an imported fleet."""
    folder = tmp_path_factory.mktemp("fleet")
    file = folder / "watcher.toml"
    file.write_text(WATCHER_FILE, encoding="utf-8")
    (folder / "sites").mkdir()
    write_spreadsheets(world, folder)
    keep_sunshine(world, SunshineStore(Files.of(load_watcher(file)).sunshine), now_ms=1_760_000_000_000)
    assert main(["import", "--config", str(file), "--sites", str(folder / "sites.csv")]) == 0
    assert main(["import", "--config", str(file), "--readings", str(folder / "readings.csv")]) == 0
    return file


def test_what_is_broken_stands_at_the_top(fleet: Path, world: FleetWorld) -> None:
    rows, problems = ranked(load_watcher(fleet))
    assert problems == ()
    assert len(rows) == 14
    broken = {home.id for home, _ in world.homes if home.fault is not None}
    assert {row.record.id for row in rows[:3]} == broken
    outcome = compare(world.homes, rows)
    assert outcome.found == outcome.dated == 3
    assert outcome.accused == 0


def test_the_list_the_table_and_the_page_say_the_same(
    fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, page = tmp_path / "triage.csv", tmp_path / "triage.html"
    asked = ["triage", "--config", str(fleet), "--csv", str(table), "--print", str(page), "--top", "3"]
    assert main(asked) == 0
    listed = capsys.readouterr().out
    with table.open(encoding="utf-8-sig", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert [row["rank"] for row in rows] == [str(n) for n in range(1, 15)]
    text = page.read_text(encoding="utf-8")
    for row in rows[:3]:
        assert row["site"] in listed
        assert row["likely"] in " ".join(listed.split())
        assert row["likely"] in text
        assert (
            float(row["loss kWh a year, low"]) <= float(row["loss kWh a year"]) <= float(row["loss kWh a year, high"])
        )
    assert "14 meters: 3 lose output" in listed


def test_the_page_is_whole_by_itself(fleet: Path, tmp_path: Path) -> None:
    page = tmp_path / "triage.html"
    assert main(["triage", "--config", str(fleet), "--print", str(page), "--top", "4"]) == 0
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"""(?:src|href)=["'](?!#)""", text)
    assert "@import" not in text
    assert "<script" not in text
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r"url\(#([^)]+)\)", text)) <= set(ids)
    assert text.count("<svg") >= 3


def test_a_picture_is_sound_and_the_same_each_time(fleet: Path) -> None:
    row = ranked(load_watcher(fleet))[0][0]
    drawn = picture("p1", row.judged, row.finding)
    assert drawn == picture("p1", row.judged, row.finding)
    assert ElementTree.fromstring(drawn).tag.endswith("svg")
    assert "of usual" in drawn


def test_a_fleet_without_sites_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "watcher.toml"
    file.write_text(WATCHER_FILE, encoding="utf-8")
    (tmp_path / "sites").mkdir()
    assert main(["triage", "--config", str(file)]) == 2
    assert "import the sites first" in capsys.readouterr().err


def test_sites_without_readings_are_not_called_well(
    fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "watcher.toml"
    file.write_text(WATCHER_FILE.replace('"sites"', f'"{fleet.parent / "sites"}"'), encoding="utf-8")
    assert main(["triage", "--config", str(file)]) == 0
    listed = capsys.readouterr().out
    assert "14 meters: 0 lose output, 0 raise a question, 0 are well" in listed
    assert listed.count("Not enough to tell") == 14


def test_a_meter_that_is_read_automatically_is_not_in_the_list(
    fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sites").mkdir()
    text = (fleet.parent / "sites" / "home-001.toml").read_text(encoding="utf-8")
    wired = 'kind = "modbus-tcp"\naddress = "192.0.2.1:502"'
    (tmp_path / "sites" / "home-001.toml").write_text(text.replace('kind = "typed"', wired), encoding="utf-8")
    file = tmp_path / "watcher.toml"
    file.write_text(WATCHER_FILE, encoding="utf-8")
    assert main(["triage", "--config", str(file)]) == 0
    assert "0 meters" in capsys.readouterr().out


def test_a_place_that_cannot_be_written_is_named(fleet: Path, tmp_path: Path) -> None:
    for option in ("--csv", "--print"):
        assert main(["triage", "--config", str(fleet), option, str(tmp_path / "no" / "where")]) == 2
