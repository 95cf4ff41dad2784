"""Case E1: the card fills, stays full for two hours, and there is room again; nobody lends a hand.

On a memory file system of eight megabytes; skips where such a one may not be mounted.
"""

from __future__ import annotations

import asyncio
import itertools
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cases.scripted import INDEX, SITE, START_MS, Device, Scripted, value_of
from watcher.collect.collectors import Collected, _Spoken
from watcher.daemon import Daemon
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import DAY_MS, MINUTE_MS
from watcher.domain.reading import Reading
from watcher.inbox import Inbox, thinned

SIZE = 8_000_000


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Path]:
    """An empty file system of SIZE bytes."""
    folder = tmp_path / "card"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={SIZE}", "tmpfs", str(folder)], capture_output=True, text=True
    )
    if mounted.returncode != 0:
        pytest.skip(f"no file system may be mounted here: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def fill(ballast: Path) -> None:
    """A second program takes all there is, within a second."""
    with ballast.open("wb", buffering=0) as file:
        for size in (65_536, 4096, 512):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue


@pytest.mark.slow
def test_case_e1_a_card_full_for_two_hours_costs_no_counter_reading(
    card: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO", "watcher.daemon")
    run = Scripted(card, Device(every_s=10.0))
    seen: dict[str, object] = {}

    async def full(daemon: Daemon) -> None:
        daemon.inbox._share = 5_000
        fill(card / "ballast")

    async def look(daemon: Daemon) -> None:
        flush = next(loop for loop in daemon.loops if loop.name == "flush")
        seen["blocked"], seen["alive"] = flush.blocked, flush.alive(daemon._clock.monotonic())
        seen["held"], seen["asked"] = len(daemon.inbox), len(run.device.asked)

    async def room(daemon: Daemon) -> None:
        (card / "ballast").unlink()

    run.at = [(1_800, full), (9_000, look), (9_010, room)]
    daemon = asyncio.run(run.run(10_800))

    assert seen["blocked"] == "disk-full"
    assert seen["alive"], "a named state is no standstill"
    assert seen["asked"] == 9_000 // 10, "collecting went on all the time"
    assert 4_300 < int(str(seen["held"])) <= 5_000, "held in bounded memory, used to the full"
    stored = run.stored()
    # The register's readings are all there, each once, in their own time and as the device said them.
    assert stored[INDEX] == [(at, value_of(INDEX, at)) for at in run.device.asked]
    gauges = {name: rows for name, rows in stored.items() if name != INDEX}
    for name, rows in gauges.items():
        assert rows == sorted(set(rows))
        assert {(at, value_of(name, at)) for at in run.device.asked} >= set(rows)
    lost = len(run.device.asked) * len(gauges) - sum(map(len, gauges.values()))
    assert 0 < lost == daemon.inbox.lost
    # Thinned evenly: no hour of the two is without its gauges.
    power = [at for at, _ in stored["inverter-1.ac_power"]]
    assert max(later - earlier for earlier, later in itertools.pairwise(power)) <= 10 * MINUTE_MS
    # Said once when it began, once when it ended, and once to the operator by mail.
    words = [record.getMessage().split()[0] for record in caplog.records]
    assert [words.count(word) for word in ("disk-full", "store-written-again", "disk-low")] == [1, 1, 1]
    (letter,) = run.sender.letters
    assert "are free where the readings are kept" in letter["Subject"]
    connection = sqlite3.connect(run.files.readings)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


@pytest.mark.slow
def test_case_e1_the_operator_is_warned_while_there_is_still_room(card: Path) -> None:
    run = Scripted(card, Device(every_s=60.0))

    async def nearly(daemon: Daemon) -> None:
        (card / "ballast").write_bytes(bytes(SIZE - 1_500_000))

    async def look(daemon: Daemon) -> None:
        assert len(run.sender.letters) == 1
        assert all(loop.blocked == "" for loop in daemon.loops)
        assert daemon.inbox.lost == 0

    run.at = [(600, nearly), (3_000, look)]
    asyncio.run(run.run(3_600))
    assert len(run.sender.letters) == 1, "once, not each minute"
    assert len(run.stored()[INDEX]) == len(run.device.asked)


def test_what_waits_is_thinned_oldest_gauges_first_and_counters_last() -> None:
    rows = [
        row
        for minute in range(10)
        for row in (
            Reading(INDEX, START_MS + minute * MINUTE_MS, float(minute)),
            Reading("inverter-1.ac_power", START_MS + minute * MINUTE_MS, 100.0),
        )
    ]
    power = lambda kept: [(row.time_ms - START_MS) // MINUTE_MS for row in kept if row.channel != INDEX]  # noqa: E731
    index = lambda kept: [(row.time_ms - START_MS) // MINUTE_MS for row in kept if row.channel == INDEX]  # noqa: E731
    for excess, powers, indices in (
        (0, list(range(10)), list(range(10))),
        (2, [0, 2, 4, 5, 6, 7, 8, 9], list(range(10))),
        (4, [0, 2, 4, 6, 8, 9], list(range(10))),
        (6, [0, 4, 8, 9], list(range(10))),
        (9, [9], list(range(10))),
        (13, [], [3, 4, 5, 6, 7, 8, 9]),
        (20, [], []),
    ):
        assert (power(thinned(rows, excess)), index(thinned(rows, excess))) == (powers, indices)


def test_an_inbox_that_nobody_empties_stays_within_its_bounds() -> None:
    inbox = Inbox([SITE], 1_000)
    for second in range(5_000):
        inbox.add(Collected(SITE, (Reading("inverter-1.ac_power", START_MS + second * 1000, 1.0),)))
        assert len(inbox) <= 1_000
    assert inbox.lost == 5_000 - len(inbox)


def test_case_e1_a_device_silent_for_ninety_days_is_one_line_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    spoken = _Spoken()
    for minute in range(90 * DAY_MS // MINUTE_MS):
        error = CollectError("inverter-1", "polling", Remedy.RETRY, f"no answer, try {minute}")
        spoken.failed(SITE, "inverter-1", error)
    assert len(caplog.records) == 1
