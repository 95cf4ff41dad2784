"""Import and replay of open datasets as a person would do it: files, maps, the commands."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from watcher.cli import main
from watcher.config.site_file import load_site
from watcher.domain.site import SiteRecord
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files

HERE = Path(__file__).resolve().parent
SITES, COLUMNS = HERE / "sites", HERE / "columns"


@dataclass(frozen=True, slots=True)
class Told:
    """What import and replay of one table said. alerts: told ones, in replay lines; summary: the last line."""

    folder: Path
    site: str
    imported: str
    alerts: list[dict[str, Any]]
    summary: dict[str, Any]

    def kinds(self) -> set[str]:
        return {alert["kind"] for alert in self.alerts}

    @property
    def text(self) -> str:
        return (SITES / f"{self.site}.toml").read_text(encoding="utf-8")

    @property
    def record(self) -> SiteRecord:
        return load_site(self.text, self.site, self.site)

    def readings(self) -> SqliteReadings:
        return SqliteReadings.open_reader(Files(self.folder / "data").readings)


def write_watcher_file(folder: Path, sites: Path = SITES) -> Path:
    path = folder / "watcher.toml"
    path.write_text(
        f'data_folder = "data"\nsites_folder = "{sites}"\n'
        '[mail]\nsender = "watch@example.org"\nfolder = "mails"\n[operator]\nemail = "operator@example.org"\n',
        encoding="utf-8",
    )
    return path


def import_table(folder: Path, site: str, columns: str, table: Path) -> None:
    config = ["--config", str(write_watcher_file(folder)), "--site", site]
    assert main(["import", str(table), *config, "--columns", str(COLUMNS / f"{columns}.toml")]) == 0


@pytest.fixture
def told(tmp_path: Path, shared_folder: Path, capsys: pytest.CaptureFixture[str]) -> Callable[[str, str, str], Told]:
    """Import a table of the open datasets for a site of ours by its map, replay it, and read what was said."""

    def import_and_replay(site: str, columns: str, table: str) -> Told:
        import_table(tmp_path, site, columns, shared_folder / "data" / table)
        imported = capsys.readouterr().out
        assert main(["replay", "--config", str(tmp_path / "watcher.toml"), "--site", site]) == 0
        *alerts, summary = (json.loads(line) for line in capsys.readouterr().out.splitlines())
        assert [line["type"] for line in alerts] == ["alert"] * len(alerts)
        assert summary["type"] == "summary"
        return Told(tmp_path, site, imported, alerts, summary)

    return import_and_replay
