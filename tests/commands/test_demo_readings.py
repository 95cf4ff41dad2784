"""`watcher demo --readings`: it finds what it broke, leaves its files, and touches no folder that is not its own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from watcher.cli import main
from watcher.commands.demo_readings import Outcome, run_readings_demo


@pytest.mark.slow
def test_a_fleet_is_made_imported_ranked_and_found_right(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    output = tmp_path / "out"
    assert run_readings_demo(3, output, homes=20) == 0
    told = capsys.readouterr().out
    assert "What is broken stands at the top." in told
    for name in ("sites.csv", "readings.csv", "truth.csv", "import.txt", "triage.csv", "triage.html"):
        assert (output / name).stat().st_size > 500
    assert "20 sites" in (output / "import.txt").read_text(encoding="utf-8")


def test_a_folder_of_somebody_elses_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    assert main(["demo", "--readings", "--output", str(tmp_path)]) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(
    ("change", "right"),
    [({}, True), ({"found": 10}, False), ({"dated": 9}, True), ({"dated": 8}, False), ({"accused": 5}, False)],
)
def test_what_counts_as_right(change: dict[str, int], right: bool) -> None:
    assert replace(Outcome(broken=11, found=11, dated=11, accused=0), **change).right is right
