"""A backup is one whole moment of both stores, and restoring deletes nothing."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from watcher.cli import main
from watcher.domain.errors import StoreError
from watcher.domain.event import EventKind
from watcher.domain.instant import MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.store.backup import back_up, restore
from watcher.store.folder_lock import FolderInUse, FolderLock
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.store.trouble import StoreDamaged
from watcher.wiring import Files

T0 = parse_iso("2026-06-21T10:00:00Z")
CHANNELS = [f"inverter-1.input-{number}.dc_power" for number in range(8)]

WATCHER = """
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "watch@example.org"
folder = "mails"
[operator]
email = "operator@example.org"
"""


def batch(number: int) -> list[Reading]:
    return [Reading(channel, T0 + number * MINUTE_MS, float(number)) for channel in CHANNELS]


@pytest.fixture
def files(tmp_path: Path) -> Files:
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    (tmp_path / "sites").mkdir()
    (tmp_path / "data").mkdir()
    files = Files(tmp_path / "data")
    with SqliteReadings(files.readings) as readings, Ledger(files.ledger_url) as ledger:
        readings.append({"home-1": batch(0)}, T0)
        ledger.put_version("home-1", "[site]", T0)
        ledger.add_event("home-1", EventKind.TYPED_READING, "meter-1", T0, {"kwh": 4711.5}, T0)
    return files


def watcher(files: Files, *arguments: str | Path) -> int:
    name, *rest = map(str, arguments)
    return main([name, "--config", str(files.folder.parent / "watcher.toml"), *rest])


def test_a_backup_taken_while_batches_are_written_is_whole(files: Files, tmp_path: Path) -> None:
    stop = threading.Event()

    def write() -> None:
        with SqliteReadings(files.readings) as readings:
            number = 1
            while not stop.is_set():
                readings.append({"home-1": batch(number)}, T0 + number * MINUTE_MS)
                number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        made = [back_up((files.ledger, files.readings), tmp_path / "copies", T0 + n * 1000) for n in range(8)]
    finally:
        stop.set()
        writer.join()
    counts = []
    for folder in made:
        assert sorted(one.name for one in folder.iterdir()) == ["ledger.sqlite", "readings.sqlite"]
        with SqliteReadings(folder / "readings.sqlite") as copy:
            through = copy.received_through("home-1")
            counts.append(copy.count("home-1"))
            # Whole batches up to the watermark, nothing beyond it.
            assert counts[-1] == len(CHANNELS) * (((through or 0) - T0) // MINUTE_MS + 1)
    assert counts == sorted(counts)
    assert counts[-1] > len(CHANNELS)


def test_a_backup_that_breaks_off_does_not_count(files: Files, tmp_path: Path) -> None:
    files.ledger.write_bytes(files.ledger.read_bytes()[:5000])
    with pytest.raises(StoreDamaged):
        back_up((files.ledger, files.readings), tmp_path / "copies", T0)
    assert list((tmp_path / "copies").iterdir()) == []
    files.ledger.unlink()
    with pytest.raises(StoreError, match=r"nothing to copy: .*ledger.sqlite not there"):
        back_up((files.ledger, files.readings), tmp_path / "copies", T0)


def test_the_commands_bring_back_what_was_there(
    files: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert watcher(files, "backup", tmp_path / "copies") == 0
    assert "whole and checked" in capsys.readouterr().out
    with SqliteReadings(files.readings) as readings:
        readings.append({"home-1": batch(1)}, T0 + MINUTE_MS)
    assert watcher(files, "restore", tmp_path / "copies") == 1
    assert "with --replace they are set aside, not deleted" in capsys.readouterr().err
    assert watcher(files, "restore", tmp_path / "copies", "--replace") == 0
    assert capsys.readouterr().out.count("what was there is kept as") == 2
    with SqliteReadings.open_reader(files.readings) as readings, Ledger(files.ledger_url) as ledger:
        assert readings.count("home-1") == len(CHANNELS)
        events, _ = ledger.events("home-1", 2**62)
        assert [event.values for event in events] == [{"kwh": 4711.5}]
    (kept,) = (one for one in files.folder.glob("readings.sqlite.replaced-*Z"))
    with SqliteReadings(kept) as readings:
        assert readings.count("home-1") == 2 * len(CHANNELS)


def test_a_backup_goes_into_an_empty_folder_without_asking(files: Files, tmp_path: Path) -> None:
    assert watcher(files, "backup", tmp_path / "copies") == 0
    files.readings.unlink()
    files.ledger.unlink()
    assert watcher(files, "restore", tmp_path / "copies") == 0
    with SqliteReadings.open_reader(files.readings) as readings:
        assert readings.count("home-1") == len(CHANNELS)


def test_the_newest_of_several_backups_is_taken_and_one_may_be_named(files: Files, tmp_path: Path) -> None:
    copies = tmp_path / "copies"
    first = back_up((files.ledger, files.readings), copies, T0)
    with SqliteReadings(files.readings) as readings:
        readings.append({"home-1": batch(1)}, T0 + MINUTE_MS)
    back_up((files.ledger, files.readings), copies, T0 + MINUTE_MS)
    for place, count in ((copies, 2), (first, 1)):
        restore(place, (files.ledger, files.readings), T0)
        with SqliteReadings.open_reader(files.readings) as readings:
            assert readings.count("home-1") == count * len(CHANNELS)


def test_a_damaged_backup_is_refused_and_nothing_changes(
    files: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = back_up((files.ledger, files.readings), tmp_path / "copies", T0)
    content = bytearray((made / "readings.sqlite").read_bytes())
    content[4096:8192] = bytes(4096)
    (made / "readings.sqlite").write_bytes(content)
    before = files.readings.read_bytes()
    assert watcher(files, "restore", made, "--replace") == 1
    assert "the copy is not sound" in capsys.readouterr().err
    assert files.readings.read_bytes() == before
    assert [one.name for one in files.folder.iterdir() if "restored" in one.name or "replaced" in one.name] == []


def test_what_is_no_backup_is_said(files: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "copies").mkdir()
    assert watcher(files, "restore", tmp_path / "copies", "--replace") == 1
    assert "one is a folder with ledger.sqlite and readings.sqlite" in capsys.readouterr().err


def test_restore_refuses_while_a_watcher_has_the_folder(
    files: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    back_up((files.ledger, files.readings), tmp_path / "copies", T0)
    holder = f"""if True:
        import sys
        from pathlib import Path
        from watcher.store.folder_lock import FolderLock
        with FolderLock(Path({str(files.folder)!r})):
            print("held", flush=True)
            sys.stdin.read()
    """
    with subprocess.Popen(
        [sys.executable, "-c", holder], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        assert watcher(files, "restore", tmp_path / "copies", "--replace") == 1
        assert "a watcher is running with this folder" in capsys.readouterr().err
        # A backup needs no leave.
        assert watcher(files, "backup", tmp_path / "more") == 0
        with pytest.raises(FolderInUse), FolderLock(files.folder):
            pass
        process.kill()
    # The lock went with its holder.
    assert watcher(files, "restore", tmp_path / "copies", "--replace") == 0


def test_a_plain_copy_of_the_file_alone_may_lack_the_last_minutes(files: Files, tmp_path: Path) -> None:
    """Why there is a command for it: what is still in the write-ahead log is not in the file."""
    with SqliteReadings(files.readings) as readings:
        readings.append({"home-1": batch(1)}, T0 + MINUTE_MS)
        plain = tmp_path / "plain.sqlite"
        plain.write_bytes(files.readings.read_bytes())
        made = back_up((files.readings,), tmp_path / "copies", T0)
        connection = sqlite3.connect(plain)
        (count,) = connection.execute("SELECT count(*) FROM on_time").fetchone()
        connection.close()
        assert count < 2 * len(CHANNELS)
        with SqliteReadings(made / "readings.sqlite") as copy:
            assert copy.count("home-1") == 2 * len(CHANNELS)
