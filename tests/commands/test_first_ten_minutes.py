"""The first ten minutes of an installer, as the README tells them, run as they stand there.

Two workbooks such as offices have, nothing installed anywhere: import, list, open one, type one reading of one's own,
and see who loses most.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from datetime import date, timedelta
from math import cos, pi
from pathlib import Path

import openpyxl
import pytest

from watcher.align.typed import Standing, typed_readings
from watcher.config import load_sites
from watcher.store.ledger import Ledger

REPO = Path(__file__).resolve().parents[2]
STEPS = 7
"""How many commands the README needs; more would be too many."""

CUSTOMERS = [f"{number} Mill Lane" for number in range(1, 25)]
SLIP = "7 Mill Lane"
HALF_DEAD = "15 Mill Lane"
OWN = "Own house"


def script() -> list[list[str]]:
    """The commands of the README's section, word by word."""
    readme = (REPO / "README.md").read_text(encoding="utf-8")
    section = readme.split("## The first ten minutes of an installer")[1].split("\n## ")[0]
    (block,) = re.findall(r"```\n(.*?)```", section, re.DOTALL)
    return [shlex.split(line) for line in block.splitlines()]


def customers(path: Path) -> None:
    book = openpyxl.Workbook()
    page = book.active
    page.merge_cells("A1:H1")
    page["A1"] = "Solar customers, maintained homes"
    page.append([])
    page.append(
        ["Address", "Job no", "Latitude", "Longitude", "kWp", "Pitch", "Aspect", "Inverter kW", "Meter serial", "Phone"]
    )
    for number, name in enumerate(CUSTOMERS):
        aspect = ("South", "SW", "south-east", 180)[number % 4]
        page.append(
            [name, None, 53.3 + number / 100, -1.5, 3.92, "35°", aspect, 3.68, f"07{number:05}", "0114 496 0000"]
        )
    page.append([OWN, "Own house", 53.38, -1.47, 2.0, 30, "East", 3.68, "0799999", None])
    page.append([OWN, "Own house", None, None, 2.0, 30, "West", None, None, None])
    book.save(path)


def readings(path: Path) -> None:
    """Quarters of seven years; one was typed with two digits exchanged, and one home makes half from the fourth on.

    The own house makes less than the others, for it looks east and west.
    """
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Address", "Date", "Meter reading (kWh)", "Read by"])
    for number, name in enumerate([*CUSTOMERS, OWN]):
        index, day = (13_700.0 if name == OWN else 10_000.0 + 1000 * number), date(2017, 1, 5)
        for quarter in range(28):
            shown = round(index)
            if name == SLIP and quarter == 12:
                text = str(shown)
                shown = int(text[1] + text[0] + text[2:])
                assert shown != index
            page.append([name, day, shown, None])
            share = 0.5 if name == HALF_DEAD and quarter >= 14 else 0.78 if name == OWN else 1.0
            index += share * 900 * (1 + 0.75 * cos(2 * pi * (quarter + 0.5) / 4 + pi))
            day += timedelta(days=91)
    book.save(path)


@pytest.fixture
def office(tmp_path: Path) -> Path:
    """The example configuration without its example home, and the two workbooks."""
    shutil.copytree(REPO / "config", tmp_path / "config")
    shutil.rmtree(tmp_path / "config" / "sites")
    customers(tmp_path / "customers.xlsx")
    readings(tmp_path / "readings.xlsx")
    return tmp_path


def test_the_first_ten_minutes_are_seven_commands_that_work_as_they_stand_in_the_readme(office: Path) -> None:
    steps = script()
    assert len(steps) == STEPS
    said = []
    for step in steps:
        assert step[0] == "watcher"
        done = subprocess.run(
            [sys.executable, "-m", "watcher.cli", *step[1:]], cwd=office, capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stderr) == (0, ""), (step, done.stdout, done.stderr)
        said.append(done.stdout)
        if "--preview" in step:
            assert not (office / "config" / "sites").exists()
    preview, imported, read, listed, opened, typed, ranked = said
    assert "Aspect is azimuth" in preview
    assert "not read: Phone" in preview
    assert "25 sites: 25 new" in imported
    assert "700 readings: 700 new" in read
    assert f"left out, for later readings belie it: site-{SLIP.lower().replace(' ', '-')} meter-1" in read, (
        "the slip of the pen is named"
    )
    assert listed.count("typed") == 25
    assert "typed readings: 28 good, 0 asked about" in opened
    assert "recorded: meter-1 41,371.4 kWh" in typed
    assert "25 meters: 1 lose output, 0 raise a question, 24 are well" in ranked
    assert f"1  site-{HALF_DEAD.lower().replace(' ', '-')} ({HALF_DEAD}): output low" in ranked
    assert "62,800.0 kWh was read; was 26,800.0 meant?" in ranked
    assert len(load_sites(office / "config" / "sites").good) == 25
    with Ledger(f"sqlite:///{office / 'data' / 'ledger.sqlite'}") as ledger:
        own = typed_readings(ledger.events("own-house", 2**62)[0], "meter-1")
    assert (own[-1].index_wh, own[-1].standing) == (41_371_400, Standing.GOOD)
    assert len(own) == 29
