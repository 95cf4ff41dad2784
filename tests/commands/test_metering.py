"""`watcher metering` as it is typed."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from tests.commands.conftest import HOME, WATCHER, Place
from tests.commands.running import REPO
from watcher.commands.metering import check_of, text_of
from watcher.commands.read import open_desk
from watcher.domain.instant import parse_iso
from watcher.report.metering_words import COLUMNS

README = (REPO / "README.md").read_text(encoding="utf-8")

TARIFF = """
[payment]
scheme = "feed-in"
"""


def test_it_names_the_site_its_scheme_and_what_is_asked(place: Place) -> None:
    place.site_file("home-1", HOME + TARIFF)
    code, out, _ = place.run("metering", "home-1")
    assert code == 0
    assert out.startswith("4 Test Lane (home-1): Great Britain, paid by the feed-in tariff\n")
    assert re.fullmatch(r"\d+ to find out, \d+ there, \d+ not asked for", out.splitlines()[1])
    assert "[x] there: a generation meter of its own is asked for, and meter-1 is one" in out
    assert "Is meter-1 MID-approved?" in out
    assert "from memory: check the current edition" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 100


def test_what_is_missing_is_no_failure(place: Place) -> None:
    without_meter = "\n\n".join(block for block in HOME.strip().split("\n\n") if '"meter-1"' not in block)
    place.site_file("home-1", without_meter + TARIFF)
    code, out, err = place.run("metering", "home-1")
    assert (code, err) == (0, "")
    assert "[!] missing: a generation meter of its own is asked for, and none is on file" in out


def test_what_was_recorded_of_a_meter_is_known(place: Place) -> None:
    place.site_file("home-1", HOME + TARIFF)
    assert place.run("meter", "home-1", "meter-1", "--verified", "--at", "2026-05-04T10:00:00Z")[0] == 0
    assert place.run("meter", "home-1", "meter-1", "--certified-until", "2041-05-31")[0] == 0
    _, out, _ = place.run("metering", "home-1")
    assert "meter-1 is certified until 2041-05-31" in out
    assert "last verif" in out
    assert "When did the licensee last verify" not in out


def test_as_a_table_it_has_a_row_an_answer(place: Place) -> None:
    code, out, _ = place.run("metering", "home-1", "--csv")
    assert code == 0
    rows = list(csv.reader(io.StringIO(out)))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) > 10
    assert {len(row) for row in rows} == {len(COLUMNS)}
    assert all(cell.strip() for row in rows for cell in row[-3:])


def test_a_site_that_is_not_there_is_bad_input(place: Place) -> None:
    code, out, err = place.run("metering", "home-2")
    assert (code, out) == (2, "")
    assert "no such site; there are home-1" in err


def test_the_transcript_in_the_readme_is_what_a_run_prints(tmp_path: Path) -> None:
    """By the example's own site file, on the day of the transcript: certificates end and terms run out."""
    shown = README.partition("$ watcher metering example-home\n")[2].partition("\n```")[0]
    (tmp_path / "sites").mkdir()
    example = (REPO / "config" / "sites" / "example-home.toml").read_text(encoding="utf-8")
    (tmp_path / "sites" / "example-home.toml").write_text(example, encoding="utf-8")
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    with open_desk(tmp_path / "watcher.toml", "example-home") as desk:
        printed = "\n".join(text_of(check_of(desk, parse_iso("2026-11-25T12:00:00Z"))))
    assert printed == shown.rstrip("\n")
