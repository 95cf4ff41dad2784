"""What is left after a kill in the middle of writing, and after a power cut that tore the write-ahead log."""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from append_until_killed import batch

from watcher.domain.instant import SECOND_MS
from watcher.store.readings import SqliteReadings

WRITER = Path(__file__).with_name("append_until_killed.py")


def whole_batches(path: Path) -> int:
    """How many batches the file holds, after making sure that it holds exactly those, whole, up to its watermark."""
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    with SqliteReadings(path) as store:
        watermark = store.received_through("home-1")
        count = 0 if watermark is None else watermark // SECOND_MS + 1
        expected = {(row.channel, row.time_ms): row.value for number in range(count) for row in batch(number)}
        window = store.window("home-1", None, -(2**62), 2**62, 2**62)
        stored = {
            (channel, time): value
            for channel, samples in window.items()
            for time, value in zip(samples.time_ms, samples.value, strict=True)
        }
        assert stored == expected
        assert store.count("home-1") == len(expected)
    return count


def test_case_e2_twenty_kills_lose_nothing_acknowledged_and_double_nothing(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    chance = random.Random(20260621)
    acknowledged = -1
    for _ in range(20):
        with subprocess.Popen([sys.executable, str(WRITER), str(path)], stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            assert writer.stdout.readline() == "ready\n"
            time.sleep(chance.uniform(0.0, 0.15))
            writer.kill()
            said = writer.stdout.read().split("\n")[:-1]
        acknowledged = int(said[-1]) if said else acknowledged
        # The batch that was under way may have been committed before it could be acknowledged.
        assert whole_batches(path) - 1 in (acknowledged, acknowledged + 1)
        acknowledged = whole_batches(path) - 1
    assert acknowledged > 20


@pytest.fixture(scope="module")
def torn_from(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store whose forty batches are all still in the write-ahead log."""
    folder = tmp_path_factory.mktemp("whole")
    source = folder / "open.db"
    with SqliteReadings(source) as store:
        for number in range(40):
            store.append({"home-1": batch(number)}, number * SECOND_MS)
        for end in ("", "-wal"):
            shutil.copyfile(f"{source}{end}", f"{folder / 'torn.db'}{end}")
    return folder


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("damage", ["truncated", "garbled"])
def test_case_e2_a_torn_log_opens_on_a_prefix_of_whole_batches(
    torn_from: Path, tmp_path: Path, damage: str, seed: int
) -> None:
    chance = random.Random(f"{damage} {seed}")
    path = tmp_path / "torn.db"
    for end in ("", "-wal"):
        shutil.copyfile(f"{torn_from / 'torn.db'}{end}", f"{path}{end}")
    log = bytearray(Path(f"{path}-wal").read_bytes())
    at = chance.randrange(len(log))
    if damage == "truncated":
        del log[at:]
    else:
        log[at : at + 512] = chance.randbytes(min(512, len(log) - at))
    Path(f"{path}-wal").write_bytes(log)
    # The log's first frames hold the tables themselves; a store torn that early begins anew.
    assert 0 <= whole_batches(path) < 40
    with SqliteReadings(path) as store:
        until = store.received_through("home-1")
        number = 0 if until is None else until // SECOND_MS + 1
        assert store.append({"home-1": batch(number)}, number * SECOND_MS).new == len(batch(number))


def test_an_undamaged_log_keeps_every_batch(torn_from: Path, tmp_path: Path) -> None:
    for end in ("", "-wal"):
        shutil.copyfile(f"{torn_from / 'torn.db'}{end}", tmp_path / f"torn.db{end}")
    assert whole_batches(tmp_path / "torn.db") == 40
