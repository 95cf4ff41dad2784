"""`watcher check`: everything wrong at once, or "all well"."""

from __future__ import annotations

import pytest

from tests.commands.conftest import HOME, Place
from watcher.cli import main


def test_good_files_are_all_well(place: Place) -> None:
    place.site_file("home-2", HOME)
    assert place.run("check") == (0, "all well: 2 sites\n", "")


def test_every_problem_of_every_file_is_listed_with_file_line_and_what_is_allowed(place: Place) -> None:
    bad = place.site_file("home-2", HOME.replace("azimuth_deg = 180", "azimuth_deg = 540").replace("tilt_deg", "tlt"))
    worse = place.site_file("home-3", HOME.replace("altitude_m = 20", "altitude_m 20"))
    place.config.write_text(place.config.read_text().replace('sender = "watch@example.org"', 'sender = "watch"'))
    code, out, _ = place.run("check")
    assert code == 2
    assert f"{bad}: 3 problems\n" in out
    assert "array[0].azimuth_deg = 540: must be 0 to 360 (0 north, 90 east, 180 south)" in out
    assert "array[0].tlt: unknown key" in out
    assert "array[0].tilt_deg: missing" in out
    assert f"{worse}: 1 problem\n" in out
    assert f"{place.config}: 1 problem\n" in out
    line = HOME.splitlines().index("azimuth_deg = 180") + 1
    assert f"  line {line}: array[0].azimuth_deg" in out


def test_a_watcher_file_that_is_not_there_is_said(place: Place) -> None:
    place.config.unlink()
    code, out, _ = place.run("check")
    assert code == 2
    assert out.startswith(f"{place.config}: 1 problem\n")


def test_a_command_that_does_not_exist_ends_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ending:
        main(["chekc"])
    assert ending.value.code == 2
    assert "check" in capsys.readouterr().err
