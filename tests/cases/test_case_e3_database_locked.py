"""Case E3: another program holds the database; collecting never waits, nothing is lost, each row keeps its own time.

On the machine's own clock, with the waiting times of an installation shortened in proportion. The lock is let go only
once the device has been asked many times more, so a daemon that stopped collecting would never get it back.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import watcher.daemon
from tests.cases.scripted import SITE, Device, Kept, NoJudge, _nobody
from watcher.clock import SystemClock
from watcher.daemon import Daemon, Parts
from watcher.store.opening import open_stores
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files

HOLDER = """if True:
    import sqlite3, sys
    connections = [sqlite3.connect(path, isolation_level=None) for path in sys.argv[1:]]
    for connection in connections:
        connection.execute("BEGIN IMMEDIATE")
    print("held", flush=True)
    sys.stdin.read()
    for connection in connections:
        connection.execute("COMMIT")
"""


async def until(true: Callable[[], bool]) -> None:
    while not true():
        await asyncio.sleep(0.01)


async def locked_for_a_while(folder: Path, device: Device) -> dict[str, int]:
    files = Files(folder)
    stores = open_stores(files.readings, files.ledger, 0)
    assert isinstance(stores.readings, SqliteReadings)
    stores.readings._connection.execute("PRAGMA busy_timeout = 300")
    daemon = Daemon(
        Parts(SystemClock(), [device], stores.readings, stores.ledger, NoJudge(), [Kept()], _nobody, [SITE])
    )
    flush = next(loop for loop in daemon.loops if loop.name == "flush")
    running = asyncio.create_task(daemon.run())
    seen: dict[str, int] = {}
    await until(lambda: stores.readings.received_through(SITE) is not None)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(files.readings), str(files.ledger)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as holder:  # fmt: skip
        try:
            assert holder.stdout is not None
            assert holder.stdin is not None
            assert await asyncio.to_thread(holder.stdout.readline) == "held\n"
            before = len(device.asked)
            await until(lambda: flush.blocked == "database-busy" and len(device.asked) > before + 100)
            assert flush.alive(daemon._clock.monotonic() + 1e6), "a named state is no standstill"
            seen["held"] = len(daemon.inbox)
            holder.stdin.close()
            await until(lambda: flush.blocked == "")
        finally:
            holder.kill()
            daemon.stop.set()
            await running
    seen["lost"] = daemon.inbox.lost
    return seen


def test_case_e3_a_foreign_lock_costs_no_sample_and_stops_no_collecting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO", "watcher.daemon")
    monkeypatch.setattr(watcher.daemon, "FLUSH_S", 0.5)
    device = Device(every_s=0.02)
    seen = asyncio.run(asyncio.wait_for(locked_for_a_while(tmp_path, device), 120.0))
    assert seen["held"] > 0
    assert seen["lost"] == 0
    with SqliteReadings.open_reader(Files(tmp_path).readings) as readings:
        window = readings.window(SITE, device.channels, 0, 2**50, 2**50)
    # Two polls of the scripted device may fall into one millisecond; the same row again is no other row.
    asked = sorted(set(device.asked))
    assert {name: list(column.time_ms) for name, column in window.items()} == dict.fromkeys(device.channels, asked)
    words = [record.getMessage().split()[0] for record in caplog.records]
    assert (words.count("database-busy"), words.count("store-written-again")) == (1, 1), "one line each way"
