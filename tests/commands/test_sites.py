"""`watcher sites`: what is on file and what became of it, for people and for machines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.commands.conftest import WATCHER, Place

REPO = Path(__file__).resolve().parents[2]


@pytest.fixture
def office(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Place:
    """The example spreadsheets, imported."""
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    place = Place(tmp_path, capsys)
    assert place.run("import", "--sites", REPO / "config" / "sheets" / "sites.csv")[0] == 0
    return place


def test_every_site_is_a_line_with_what_is_fitted_and_how_it_is_read(office: Place) -> None:
    code, out, _ = office.run("sites")
    assert code == 0
    assert [line.split("  ")[0] for line in out.splitlines()] == ["site", "home-1", "home-2", "2 sites"]
    assert "3.92 kW, 3.68 kW AC" in out
    assert "4 kW in 2 arrays, 3.68 kW AC" in out
    assert out.count("typed") == 2
    assert not (office.folder / "data").exists(), "looking makes nothing"


def test_the_last_reading_is_the_newest_that_was_typed(office: Place) -> None:
    office.run("import", "--readings", REPO / "config" / "sheets" / "readings.csv")
    out = office.run("sites")[1]
    assert "2023-09-30" in next(line for line in out.splitlines() if line.startswith("home-1"))
    one = office.run("sites", "home-1")[1]
    assert "typed readings: 3 good, 0 asked about, 2023-03-31 to 2023-09-30" in one
    assert "meter-1: generation of inverter-1, serial 0718223" in one
    assert "past sunshine: none kept" in one
    assert "nothing open" in one


def test_machines_get_the_same_as_json(office: Place) -> None:
    office.run("import", "--readings", REPO / "config" / "sheets" / "readings.csv")
    told = json.loads(office.run("sites", "--json")[1])
    assert [(one["id"], one["peak_power_w"], one["typed_readings"]) for one in told] == [
        ("home-1", 3920, 3),
        ("home-2", 4000, 2),
    ]
    assert told[0]["last_reading"] == "2023-09-30T17:05:00Z"


def test_what_is_measured_and_open_is_told(place: Place) -> None:
    place.import_power()
    place.judge()
    out = place.run("sites", "home-1")[1]
    assert "read: file" in out
    assert "judged until: 20" in out
    assert "last reading: 20" in out


def test_a_file_with_problems_is_named_below_the_others(office: Place) -> None:
    (office.folder / "sites" / "bad.toml").write_text("[site]\n", encoding="utf-8")
    code, out, _ = office.run("sites")
    assert code == 0
    assert "not read: " in out
    assert "2 sites" in out


def test_a_site_that_is_not_there_is_refused_with_those_that_are(office: Place) -> None:
    code, _, err = office.run("sites", "home-9")
    assert code == 2
    assert "there are home-1, home-2" in err
