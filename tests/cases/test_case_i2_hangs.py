"""Case I2 (a) to (d): a device that hangs, or whose reader breaks, costs its own readings and nothing else.

On the machine's own clock, with real sockets, a real terminal line and the real daemon; waiting times are shortened in
proportion. What keeps its interval is held against a thread that does nothing but count the same interval, so that a
busy machine slows both.
"""

from __future__ import annotations

import asyncio
import os
import socket
import threading
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

import watcher.loops
from tests.cases.scripted import SITE, Device, Kept, NoJudge, _nobody
from watcher.clock import SystemClock
from watcher.collect.collectors import BusCollector, Collected, Collector
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.client import Line
from watcher.daemon import Daemon, Parts
from watcher.domain.instant import HOUR_MS
from watcher.domain.reading import Reading
from watcher.health import WatcherState, Wrong, deadly, judged
from watcher.health_file import HealthFile
from watcher.loops import MOST_LEFT_BEHIND
from watcher.store.opening import open_stores
from watcher.wiring import Files

pytestmark = pytest.mark.slow

EVERY_S = 0.1
POWER = "inverter-2.ac_power"
LEAST_TICKS = 40


@pytest.fixture(autouse=True)
def _short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, seconds in (("FIRST_WAIT_S", 0.2), ("LONGEST_WAIT_S", 0.5), ("CANCEL_S", 0.2)):
        monkeypatch.setattr(watcher.loops, name, seconds)


@dataclass(slots=True)
class Asking:
    """A collector that waits for one thing each turn."""

    ask: Callable[[], Awaitable[object]]
    name: str = f"{SITE}/in-trouble"
    every_s: float = EVERY_S
    first_s: float = 0.0
    limit_s: float = 0.3
    begun: int = 0

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        self.begun += 1
        await self.ask()
        return Collected(SITE, (Reading(POWER, now_ms, 1.0),))

    async def close(self) -> None:
        """Nothing to close."""


@dataclass(slots=True)
class Seen:
    """What there was to see while one collector was in trouble.

    others: turns each of the others had. ticks: how often the interval passed meanwhile
    """

    state: WatcherState
    others: list[int] = field(default_factory=list)
    ticks: int = 0
    stored: dict[str, int] = field(default_factory=dict)

    def nobody_else_was_kept_waiting(self) -> None:
        assert self.ticks >= LEAST_TICKS
        assert all(0.8 * self.ticks <= turns for turns in self.others), (self.others, self.ticks)
        assert deadly(self.state) == [], "whose device hangs is no reason to start anew"

    def wrong(self, later_ms: int = 0) -> dict[Wrong, str]:
        """What `watcher health` says, or would say if it stayed like that."""
        state = replace(self.state, at_ms=self.state.at_ms + later_ms)
        return {fault.wrong: str(fault) for fault in judged(state, True, state.at_ms)}


@contextmanager
def ticking(every_s: float) -> Iterator[Callable[[], int]]:
    """Counts how often an interval passes, as a loop does: what was missed is left out."""
    over, ticks = threading.Event(), 0

    def count() -> None:
        nonlocal ticks
        due = time.monotonic()
        while not over.wait(max(0.0, due - time.monotonic())):
            ticks += 1
            due = max(due + every_s, time.monotonic())

    thread = threading.Thread(target=count)
    thread.start()
    try:
        yield lambda: ticks
    finally:
        over.set()
        thread.join()


async def watched(
    folder: Path, trouble: Collector, enough: Callable[[WatcherState], bool], over: Callable[[], None] | None = None
) -> Seen:
    """Run the daemon with four well devices and one in trouble until there was enough of it; then end the trouble, and
    wait until it is well again.
    """
    files = Files(folder)
    stores = open_stores(files.readings, files.ledger, 0)
    devices = [Device(f"{SITE}/well-{number}", EVERY_S, channels=("meter-1.ac_power",)) for number in range(4)]
    daemon = Daemon(
        Parts(
            SystemClock(), [*devices, trouble], stores.readings, stores.ledger, NoJudge(), [Kept()], _nobody, [SITE],
            health=HealthFile(folder),
        )
    )  # fmt: skip
    loop = next(one for one in daemon.loops if one.name.endswith(trouble.name))
    running = asyncio.create_task(daemon.run())
    try:
        while not all(device.asked for device in devices):
            await asyncio.sleep(0.01)
        with ticking(EVERY_S) as ticks:
            before = [len(device.asked) for device in devices]
            while ticks() < LEAST_TICKS or not enough(daemon.report.state()):
                assert not running.done()
                await asyncio.sleep(0.05)
            others = [len(device.asked) - had for device, had in zip(devices, before, strict=True)]
            seen = Seen(daemon.report.state(), others, ticks())
        if over is not None:
            over()
            while loop.failing or loop.left.count:
                await asyncio.sleep(0.05)
    finally:
        daemon.stop.set()
        await running
    return seen


def trouble_of(state: WatcherState) -> tuple[int, int]:
    """Failures in a row of the loop in trouble, and what it left behind."""
    loop = next(loop for loop in state.loops if loop.name.endswith("in-trouble"))
    return loop.failing, loop.left_behind


def run(coroutine: Awaitable[Seen]) -> Seen:
    return asyncio.run(asyncio.wait_for(coroutine, 120.0))


@contextmanager
def silent_server() -> Iterator[int]:
    """A port where connections are accepted and nothing is ever said."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]  # the kernel accepts; nobody reads


def inverter(host: str, port: int) -> BusCollector:
    device = DeviceOnBus("inverter-2", 1, "sunspec", "imported", "inverter")
    return BusCollector(SITE, f"{host}:{port}", [device], EVERY_S, Line(host, port, 1.0, Counter()))


def test_case_i2_a_a_device_that_accepts_and_never_answers_keeps_nobody_waiting(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with silent_server() as port:
        bus = inverter("127.0.0.1", port)
        seen = run(watched(tmp_path, bus, lambda state: "inverter-2" in bus.down))
    seen.nobody_else_was_kept_waiting()
    assert [record.getMessage().split()[0] for record in caplog.records].count("device-down") == 1
    assert seen.wrong() == {}, "a few missed polls are nothing to report"
    assert f"{SITE} inverter-2: not heard since the start" in seen.wrong(HOUR_MS)[Wrong.NOT_HEARD]


def test_case_i2_b_a_name_that_is_looked_up_for_ever_keeps_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    release, look_up, lookups = threading.Event(), socket.getaddrinfo, 0

    def hanging(host: str, *arguments: object, **named: object) -> object:
        nonlocal lookups
        if host != "inverter.example":
            return look_up(host, *arguments, **named)  # type: ignore[arg-type]
        lookups += 1
        release.wait(60.0)
        raise socket.gaierror(socket.EAI_AGAIN, "no name server answered")

    monkeypatch.setattr(socket, "getaddrinfo", hanging)
    bus = inverter("inverter.example", 502)
    try:
        seen = run(watched(tmp_path, bus, lambda state: "inverter-2" in bus.down))
    finally:
        release.set()
    seen.nobody_else_was_kept_waiting()
    assert 1 <= lookups <= MOST_LEFT_BEHIND
    assert f"{SITE} inverter-2: not heard since the start" in seen.wrong(HOUR_MS)[Wrong.NOT_HEARD]


def test_case_i2_b_a_call_that_blocks_in_a_thread_is_left_there_and_tried_again(tmp_path: Path) -> None:
    release = threading.Event()
    collector = Asking(lambda: asyncio.to_thread(release.wait, 60.0))
    seen = run(watched(tmp_path, collector, lambda state: trouble_of(state) >= (5, MOST_LEFT_BEHIND), over=release.set))
    seen.nobody_else_was_kept_waiting()
    assert "3 earlier turns still hang" in seen.wrong()[Wrong.FAILING]


def test_case_i2_c_a_serial_driver_that_blocks_in_a_read_keeps_nobody_waiting_nor_the_stop(tmp_path: Path) -> None:
    far, near = os.openpty()

    def read() -> bytes:
        return os.read(near, 1)  # a real line, on which nobody sends anything

    def send_at_last() -> None:
        os.write(far, b"\n" * 100)

    collector = Asking(lambda: asyncio.to_thread(read))
    try:
        seen = run(
            watched(tmp_path, collector, lambda state: trouble_of(state) >= (5, MOST_LEFT_BEHIND), over=send_at_last)
        )
        seen.nobody_else_was_kept_waiting()
        assert "collect home-1/in-trouble: failed" in seen.wrong()[Wrong.FAILING]
        # And once more, without anybody ever sending: the stop comes to its end all the same.
        with suppress(BlockingIOError):
            os.set_blocking(near, False)
            while os.read(near, 100):
                pass
        os.set_blocking(near, True)
        collector.begun = 0
        seen = run(watched(tmp_path, collector, lambda state: trouble_of(state)[1] == MOST_LEFT_BEHIND))
        seen.nobody_else_was_kept_waiting()
        assert collector.begun == MOST_LEFT_BEHIND
    finally:
        os.write(far, b"\n" * 10)
        os.close(far)
        os.close(near)


def test_case_i2_d_a_reader_that_breaks_is_started_again_ever_more_rarely_and_noted_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    well = threading.Event()

    async def break_down() -> None:
        if not well.is_set():
            raise ZeroDivisionError(f"our own mistake, the {collector.begun}th time")

    collector = Asking(break_down)
    seen = run(watched(tmp_path, collector, lambda state: trouble_of(state)[0] >= 5, over=well.set))
    seen.nobody_else_was_kept_waiting()
    assert collector.begun < 0.5 * seen.ticks, "not at its full pace into the same wall"
    assert "ZeroDivisionError: our own mistake" in seen.wrong()[Wrong.FAILING]
    said = [record.getMessage() for record in caplog.records if "in-trouble" in record.getMessage()]
    assert [line.split()[0] for line in said] == ["loop-down", "loop-up"]
