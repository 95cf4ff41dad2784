"""What feeds the watchdog and what does not: progress of the whole daemon, states with a name, parts outside it."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import watcher.daemon
import watcher.loops
import watcher.threads
from tests.cases.scripted import SITE, START_MS, Device, Kept, NoJudge, _nobody
from watcher.clock import SteppedClock, SystemClock
from watcher.daemon import Daemon, Judge, Parts, Writer
from watcher.domain.errors import StoreError
from watcher.domain.instant import parse_iso
from watcher.domain.reading import Appended, Reading
from watcher.health import Wrong, deadly
from watcher.health_file import HealthFile
from watcher.store.opening import open_stores
from watcher.store.readings import SqliteReadings
from watcher.store.trouble import StoreBusy, StoreFull
from watcher.wiring import Files
from watcher.worker_process import SitesNotJudged, WorkerError

HOURS = 3600.0


@dataclass(slots=True)
class Fed:
    """A watchdog that notes when it was fed, in seconds of its clock."""

    monotonic: Callable[[], float]
    every_s: float = 60.0
    at: list[float] = field(default_factory=list)

    def feed(self) -> None:
        self.at.append(self.monotonic())


class Refusing:
    """A store that refuses from a moment on. said: what it raises then"""

    def __init__(self, store: SqliteReadings, said: list[StoreError]) -> None:
        self._store, self.said = store, said

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended:
        if self.said:
            raise self.said[0]
        return self._store.append(batches, now_ms)

    def upkeep(self, now_ms: int) -> bool:
        return self._store.upkeep(now_ms)

    def close(self) -> None:
        self._store.close()


@dataclass(slots=True)
class Judging:
    """A worker that answers as it is told. said: what it raises from a moment on"""

    said: list[Exception] = field(default_factory=list)
    before: Callable[[], None] = lambda: None

    async def judge(self, sites: Sequence[str]) -> None:
        self.before()
        if self.said:
            raise self.said[0]

    async def close(self) -> None:
        """Nothing to close."""


async def lived(
    folder: Path,
    seconds: float,
    begin: Callable[[Daemon], None],
    judge: Judge | None = None,
    refusals: list[StoreError] | None = None,
) -> tuple[Daemon, list[float]]:
    """Run the daemon in stepped time; something begins after an hour. Returns when the watchdog was fed since."""
    folder.mkdir(exist_ok=True)
    files, clock = Files(folder), SteppedClock(START_MS)
    stores = open_stores(files.readings, files.ledger, START_MS)
    assert isinstance(stores.readings, SqliteReadings)
    writer: Writer = Refusing(stores.readings, refusals if refusals is not None else [])
    fed = Fed(clock.monotonic)
    judge = judge if judge is not None else NoJudge()
    daemon = Daemon(Parts(clock, [Device(every_s=60.0)], writer, stores.ledger, judge, [Kept()], _nobody, [SITE]), fed)

    async def happen() -> None:
        await clock.sleep_until(1.0 * HOURS)
        fed.at.clear()
        begin(daemon)
        await clock.sleep_until(1.0 * HOURS + seconds)
        daemon.stop.set()
        clock.leave()

    clock.join()
    happening = asyncio.create_task(happen())
    await daemon.run()
    await happening
    return daemon, [at - 1.0 * HOURS for at in fed.at]


def test_while_all_goes_well_the_watchdog_is_fed_each_minute(tmp_path: Path) -> None:
    _, fed = asyncio.run(lived(tmp_path, HOURS, lambda daemon: None))
    assert fed == [60.0 * minute for minute in range(60)]


@pytest.mark.parametrize(
    ("error", "fed_to_the_end"),
    [
        pytest.param(StoreFull("no room"), True, id="a full disk has a name"),
        pytest.param(StoreBusy("locked"), True, id="a foreign lock has a name"),
        pytest.param(StoreError("who knows"), False, id="whatever else keeps readings from the disk needs a new start"),
    ],
)
def test_readings_that_are_not_stored_starve_the_watchdog_unless_it_has_a_name(
    tmp_path: Path, error: StoreError, fed_to_the_end: bool
) -> None:
    refusals: list[StoreError] = []
    daemon, fed = asyncio.run(lived(tmp_path, HOURS, lambda daemon: refusals.append(error), refusals=refusals))
    if fed_to_the_end:
        assert fed[-1] > 0.9 * HOURS
    else:
        assert fed[-1] <= 300.0
        assert [(fault.wrong, fault.where) for fault in deadly(daemon.report.state())] == [(Wrong.STALLED, "flush")]
        assert "StoreError: who knows" in str(deadly(daemon.report.state())[0])


def test_a_worker_that_never_answers_starves_the_watchdog_in_time_and_one_site_in_trouble_does_not(
    tmp_path: Path,
) -> None:
    dead, half = Judging(), Judging()
    _, fed = asyncio.run(
        lived(tmp_path / "dead", 2 * HOURS, lambda _: dead.said.append(WorkerError("it ended")), judge=dead)
    )
    assert 0.4 * HOURS < fed[-1] <= 0.75 * HOURS
    _, fed = asyncio.run(
        lived(tmp_path / "half", 2 * HOURS, lambda _: half.said.append(SitesNotJudged("home-7: no")), judge=half)
    )
    assert fed[-1] > 1.9 * HOURS


def test_a_long_history_that_takes_the_worker_more_rounds_than_one_is_progress(tmp_path: Path) -> None:
    """Each round is cut short by the worker's time limit, and each gets further."""
    worker = Judging()
    done = iter(range(1, 100))

    def begin(daemon: Daemon) -> None:
        def further() -> None:
            until[SITE] = START_MS + next(done) * 300_000

        until: dict[str, int] = {}
        daemon._ledger.evaluated_until = until.get  # type: ignore[method-assign,assignment]
        worker.before = further
        worker.said.append(WorkerError("no answer within 600 s"))

    _, fed = asyncio.run(lived(tmp_path, 2 * HOURS, begin, judge=worker))
    assert fed[-1] > 1.9 * HOURS


def test_a_part_outside_that_has_ended_starves_the_watchdog_at_once(tmp_path: Path) -> None:
    lives = [True]

    def begin(daemon: Daemon) -> None:
        daemon.report.others["nightly"] = lambda: lives[0]
        lives[0] = False

    daemon, fed = asyncio.run(lived(tmp_path, HOURS, begin))
    assert fed in ([], [0.0])
    assert [str(fault) for fault in deadly(daemon.report.state())] == ["nightly: has ended; a new start is needed"]


class Hanging(Refusing):
    """A disk that does not come back from a write."""

    def __init__(self, store: SqliteReadings, release: threading.Event) -> None:
        super().__init__(store, [])
        self.release, self.hangs = release, threading.Event()

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended:
        self.hangs.set()
        self.release.wait(60.0)
        return super().append(batches, now_ms)


def test_a_write_that_hangs_starves_the_watchdog_holds_nothing_twice_and_does_not_hold_up_the_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    for module, name, seconds in (
        (watcher.daemon, "FLUSH_S", 0.05), (watcher.daemon, "LAST_FLUSH_S", 0.1), (watcher.loops, "FIRST_WAIT_S", 0.05),
        (watcher.threads, "LAST_WAIT_S", 0.1),
    ):  # fmt: skip
        monkeypatch.setattr(module, name, seconds)
    release = threading.Event()

    async def run() -> tuple[int, int]:
        files = Files(tmp_path)
        stores = open_stores(files.readings, files.ledger, 0)
        assert isinstance(stores.readings, SqliteReadings)
        disk, device, clock = Hanging(stores.readings, release), Device(every_s=0.05), SystemClock()
        fed = Fed(clock.monotonic, every_s=0.05)
        daemon = Daemon(
            Parts(
                clock, [device], disk, stores.ledger, NoJudge(), [Kept()], _nobody, [SITE], health=HealthFile(tmp_path)
            ),
            fed,
        )
        daemon._flushing.limit_s, daemon._flushing.patience_s = 0.1, 0.5
        running = asyncio.create_task(daemon.run())
        while not deadly(daemon.report.state()):
            await asyncio.sleep(0.01)
        asked, starved_at = len(device.asked), clock.monotonic()
        while len(device.asked) < asked + 20:
            await asyncio.sleep(0.01)
        assert all(at <= starved_at + 0.05 for at in fed.at)
        assert disk.hangs.is_set()
        daemon.stop.set()
        await running  # the thread hangs still
        held, asked = len(daemon.inbox), len(device.asked)
        release.set()
        return held, asked

    held, asked = asyncio.run(asyncio.wait_for(run(), 60.0))
    said = [record.getMessage() for record in caplog.records]
    assert f"not-written readings={held} error=" in "\n".join(said)
    assert held >= asked * 20, "all of it was put back"
    assert [line.split()[0] for line in said].count("stuck") == 1, "said once"


def test_what_was_written_last_says_that_it_was_stopped_in_order(tmp_path: Path) -> None:
    async def run() -> None:
        files, clock = Files(tmp_path), SteppedClock(START_MS)
        stores = open_stores(files.readings, files.ledger, START_MS)
        daemon = Daemon(
            Parts(
                clock, [Device(every_s=60.0)], stores.readings, stores.ledger, NoJudge(), [Kept()], _nobody, [SITE],
                health=HealthFile(tmp_path),
            )
        )  # fmt: skip

        async def happen() -> None:
            await clock.sleep_until(600.0)
            state = HealthFile(tmp_path).read()
            assert not state.stopped
            assert START_MS + 540_000 <= state.at_ms <= START_MS + 600_000
            (source,) = state.sources
            assert {device.id: device.heard_ms for device in source.devices} == dict.fromkeys(
                ("inverter-1", "meter-1"), state.at_ms
            )
            assert state.store.stored_ms is not None
            assert state.at_ms - state.store.stored_ms <= 60_000
            assert state.store.bytes > 0
            assert state.store.free_bytes > 0
            assert {loop.name: loop.failing for loop in state.loops} == dict.fromkeys(
                ("collect scripted", "flush", "judge", "post", "report"), 0
            )
            daemon.stop.set()
            clock.leave()

        clock.join()
        happening = asyncio.create_task(happen())
        await daemon.run()
        await happening

    asyncio.run(run())
    state = HealthFile(tmp_path).read()
    assert state.stopped
    assert state.started_ms == START_MS == parse_iso("2026-06-21T06:00:00Z")
    assert state.store.held == 0
