"""A daemon with a scripted device, in stepped time, on the real stores: for the cases of disks and locks."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from email.message import EmailMessage
from functools import partial
from pathlib import Path

from watcher.clock import SteppedClock
from watcher.collect.collectors import Collected
from watcher.daemon import Daemon, Judge, Parts, Writer
from watcher.domain.firm import Firm
from watcher.domain.instant import parse_iso
from watcher.domain.reading import Reading
from watcher.domain.site import Site
from watcher.store.disk_space import DiskSpace
from watcher.store.opening import Stores, open_stores, suspect
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files

START_MS = parse_iso("2026-06-21T06:00:00Z")
SITE = "home-1"
INDEX = "meter-1.energy_index"
CHANNELS = [INDEX, "inverter-1.ac_power", *(f"inverter-1.input-{number}.dc_power" for number in range(18))]


def value_of(channel: str, at_ms: int) -> float:
    """What the scripted device says: the same at the same instant, whoever asks."""
    seconds = at_ms // 1000
    if channel == INDEX:
        return float(seconds)
    return round(2000 + 1500 * math.sin(seconds / 700 + len(channel)) + seconds % 97)


@dataclass(slots=True)
class Device:
    """A collector whose values follow from the instant. asked: every instant it was asked at"""

    name: str = "scripted"
    every_s: float = 1.0
    first_s: float = 0.0
    channels: Sequence[str] = tuple(CHANNELS)
    trouble: object = None
    asked: list[int] = field(default_factory=list)

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        self.asked.append(now_ms)
        return Collected(SITE, tuple(Reading(channel, now_ms, value_of(channel, now_ms)) for channel in self.channels))

    async def close(self) -> None:
        """Nothing to close."""


class NoJudge:
    async def judge(self, sites: Sequence[str]) -> None:
        """Nothing is due."""

    async def close(self) -> None:
        """Nothing to close."""


@dataclass(slots=True)
class Kept:
    """A sender that keeps what it is given."""

    letters: list[EmailMessage] = field(default_factory=list)

    def send(self, message: EmailMessage) -> None:
        self.letters.append(message)


def _nobody(site: str) -> tuple[Site, Firm]:
    raise AssertionError(f"no mail about {site} is waiting")


def letter(words: str) -> EmailMessage:
    message = EmailMessage()
    message["Subject"] = words
    return message


@dataclass(slots=True)
class Scripted:
    """The daemon of one run. at: what happens at which second of it. writer: what the daemon writes through"""

    folder: Path
    device: Device = field(default_factory=Device)
    sender: Kept = field(default_factory=Kept)
    start_ms: int = START_MS
    judge: Judge = field(default_factory=NoJudge)
    writer: Callable[[Stores], Writer] = lambda stores: stores.readings
    at: list[tuple[float, Callable[[Daemon], Awaitable[None]]]] = field(default_factory=list)

    @property
    def files(self) -> Files:
        return Files(self.folder)

    async def run(self, seconds: float) -> Daemon:
        clock = SteppedClock(self.start_ms)
        stores = open_stores(self.files.readings, self.files.ledger, self.start_ms)
        daemon = Daemon(
            Parts(
                clock=clock,
                collectors=[self.device],
                readings=self.writer(stores),
                ledger=stores.ledger,
                judge=self.judge,
                senders=[self.sender],
                who=_nobody,
                sites=[SITE],
                suspect=partial(suspect, self.files.readings, self.files.ledger),
                space=DiskSpace(self.folder, stores.readings.week_bytes).low,
                warn=letter,
            )
        )

        async def happen() -> None:
            try:
                for second, work in [*self.at, (seconds, None)]:
                    await clock.sleep_until(second)
                    if work is not None:
                        await work(daemon)
            finally:
                daemon.stop.set()
                clock.leave()

        clock.join()
        happening = asyncio.create_task(happen())
        await daemon.run()
        await happening
        return daemon

    def stored(self) -> dict[str, list[tuple[int, float]]]:
        """Everything the store holds of the device."""
        with SqliteReadings.open_reader(self.files.readings) as readings:
            window = readings.window(SITE, self.device.channels, 0, 2**50, 2**50)
        return {name: list(zip(one.time_ms, one.value, strict=True)) for name, one in window.items()}
