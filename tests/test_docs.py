"""What the documents promise is there, and what is there stands in the documents."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from watcher.cli import _parser
from watcher.detect.registry import DETECTORS
from watcher.domain.finding import Finding

REPO = Path(__file__).resolve().parents[1]
README = (REPO / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (REPO / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands() -> list[str]:
    parser = _parser()
    return list(next(action.choices for action in parser._actions if action.choices and "run" in action.choices))


def test_every_finding_is_explained_in_the_readme() -> None:
    assert [finding.value for finding in Finding if f"| `{finding.value}` |" not in README] == []


def test_every_finding_has_a_detector() -> None:
    assert {detector.name for detector in DETECTORS} == set(Finding)


@pytest.mark.parametrize("command", commands())
def test_every_command_is_in_the_readme_and_explains_itself(command: str) -> None:
    assert f"`watcher {command}" in README
    told = subprocess.run(
        [sys.executable, "-m", "watcher.cli", command, "--help"], capture_output=True, text=True, check=True, cwd=REPO
    )
    assert "usage: watcher" in told.stdout


def test_every_folder_is_placed_in_the_developers_table() -> None:
    folders = [path.name for path in (REPO / "watcher").iterdir() if path.is_dir() and path.name != "__pycache__"]
    assert [name for name in folders if f"`{name}/`" not in DEVELOPERS] == []


def test_every_picture_shown_is_there() -> None:
    shown = re.findall(r"\]\((deploy/pictures/[^)]+)\)", README + DEVELOPERS)
    assert [picture for picture in shown if not (REPO / picture).is_file()] == []


def test_the_two_commands_of_the_readme_are_there_and_can_be_run() -> None:
    for name in ("deploy/demo", "deploy/test"):
        assert re.search(rf"^{name}$", README, re.MULTILINE)
        assert (REPO / name).stat().st_mode & 0o111
