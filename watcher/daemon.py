"""The daemon: collects, stores, has the due points judged, sends the mails. Imports nothing heavy.

Every reading passes the inbox and the one writer; every judgement is the worker's, in a process of its own; every
mail waits in the ledger's outbox. Loops know nothing of each other: what one leaves behind, the next finds.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Protocol, TypeVar

from watcher.clock import Clock
from watcher.collect.collectors import Collected, Collector
from watcher.domain.event import EventKind
from watcher.domain.firm import Firm
from watcher.domain.instant import floor_grid, iso
from watcher.domain.quantity import BOARD
from watcher.domain.reading import Appended, Reading
from watcher.domain.site import Site
from watcher.loops import Loop, run_all
from watcher.notify.outbox import Pauses, Sender, deliver_due
from watcher.sd_notify import notify, watchdog_interval_s
from watcher.store.ledger import Ledger

log = logging.getLogger(__name__)

_T = TypeVar("_T")

FLUSH_S = 60.0
POST_S = 60.0
INBOX_LIMIT = 200_000
"""Readings held while the store cannot be written; beyond it the oldest give way and are counted."""


class Writer(Protocol):
    """The write side of a readings store."""

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended: ...

    def upkeep(self, now_ms: int) -> bool:
        """A turn of nightly work; whether there is more."""
        ...

    def close(self) -> None: ...


class Judge(Protocol):
    """Whoever judges what is due: a worker process."""

    async def judge(self, sites: Sequence[str]) -> None: ...

    async def close(self) -> None: ...


class Inbox:
    """Readings on their way to the store, by site. A site without readings still moves its watermark."""

    def __init__(self, sites: Sequence[str], limit: int = INBOX_LIMIT) -> None:
        self._held: dict[str, list[Reading]] = {site: [] for site in sites}
        self._limit = limit
        self.lost = 0

    def add(self, collected: Collected) -> None:
        self._held[collected.site].extend(collected.readings)

    def take(self) -> dict[str, list[Reading]]:
        """Everything held, one entry a site; the inbox is empty then."""
        taken = self._held
        self._held = {site: [] for site in taken}
        return taken

    def put_back(self, batches: Mapping[str, list[Reading]]) -> None:
        """What could not be stored stands before what has come since; the oldest give way when full."""
        for site, readings in batches.items():
            held = [*readings, *self._held[site]]
            share = max(1, self._limit // len(self._held))
            self.lost += max(0, len(held) - share)
            self._held[site] = held[-share:]


@dataclass(frozen=True, slots=True)
class Parts:
    """What a daemon is made of.

    sites: ids of the sites watched. who: the site as it is now and the firm that signs for it, by site id
    senders: the last carries a mail, those before it keep copies. notices: messages to the operator, sent first
    watch: what the operator must hear at an instant, each thing once
    """

    clock: Clock
    collectors: Sequence[Collector]
    readings: Writer
    ledger: Ledger
    judge: Judge
    senders: Sequence[Sender]
    who: Callable[[str], tuple[Site, Firm]]
    sites: Sequence[str]
    evaluate_every_s: float = 900.0
    notices: Sequence[EmailMessage] = ()
    watch: Callable[[int], Sequence[EmailMessage]] = lambda now_ms: ()


class Daemon:
    """All parts are given; nothing is built here (wiring.py does that)."""

    def __init__(self, parts: Parts) -> None:
        self._parts, self._clock, self._ledger = parts, parts.clock, parts.ledger
        self._notices, self._pauses = list(parts.notices), Pauses()
        self.inbox = Inbox(parts.sites)
        self._present_ms = 0
        self.stop = asyncio.Event()
        # One writer thread: order of writing is order of arrival, and the readings file has one writing connection.
        self._writing = ThreadPoolExecutor(max_workers=1, thread_name_prefix="writer")
        self.loops = [
            *(self._collecting(collector) for collector in parts.collectors),
            Loop("flush", FLUSH_S, self._flush),
            Loop("judge", parts.evaluate_every_s, self._judge_due),
            Loop("post", POST_S, self._post),
        ]
        if (watchdog_s := watchdog_interval_s()) is not None:
            self.loops.append(Loop("watchdog", watchdog_s, self._feed_watchdog))

    async def run(self) -> None:
        """Until `stop` is set. What is in the inbox then is still written."""
        notify("READY=1")
        log.info("watching sites=%d collectors=%d", len(self._parts.sites), len(self._parts.collectors))
        try:
            await run_all(self.loops, self._clock, self.stop)
        finally:
            notify("STOPPING=1")
            await self._flush()
            for collector in self._parts.collectors:
                await collector.close()
            await self._parts.judge.close()
            self._writing.shutdown()
            self._parts.readings.close()
            self._ledger.close()
            log.info("stopped")

    async def upkeep(self) -> None:
        """Nightly work on the store, turn by turn: between two turns the writer does what else there is."""
        while self._clock.trusted() and await self._in_writer(self._parts.readings.upkeep, self._clock.now_ms()):
            pass

    def _collecting(self, collector: Collector) -> Loop:
        async def turn() -> None:
            loop.blocked = "" if self._clock.trusted() else "clock-untrusted"
            if loop.blocked:
                return
            collected = await collector.collect(self._clock.now_ms(), self._clock.monotonic())
            self.inbox.add(collected)
            for device, identity in collected.identities.items():
                await self._in_writer(self._note_identity, collected.site, device, dict(identity))

        loop = Loop(f"collect {collector.name}", collector.every_s, turn, first_s=collector.first_s)
        return loop

    async def _flush(self) -> None:
        """One transaction a minute: the readings held, and every site's watermark."""
        if not self._clock.trusted():
            return
        self._say_present()
        batches = self.inbox.take()
        try:
            appended = await self._in_writer(self._parts.readings.append, batches, self._clock.now_ms())
        except BaseException:
            self.inbox.put_back(batches)
            raise
        if appended.conflicting:
            log.warning("conflicting-readings count=%d (the first were kept)", appended.conflicting)

    def _say_present(self) -> None:
        """Once an interval, for every site: we were there to listen. Silence of a device means something only then."""
        now_ms = self._clock.now_ms()
        if floor_grid(now_ms) == self._present_ms:
            return
        self._present_ms = floor_grid(now_ms)
        here = Reading(f"{BOARD}.uptime", now_ms, round(self._clock.monotonic()))
        for site in self._parts.sites:
            self.inbox.add(Collected(site, (here,)))

    async def _judge_due(self) -> None:
        await self._parts.judge.judge(self._parts.sites)

    async def _post(self) -> None:
        self._notices += self._parts.watch(self._clock.now_ms())
        while self._notices:
            await asyncio.to_thread(self._parts.senders[-1].send, self._notices[0])
            del self._notices[0]
        await deliver_due(self._ledger, self._parts.senders, self._clock.now_ms(), self._parts.who, self._pauses)

    async def _feed_watchdog(self) -> None:
        stuck = [loop.name for loop in self.loops if not loop.alive(self._clock.monotonic())]
        if stuck:
            log.error("stuck loops=%s at=%s", ", ".join(stuck), iso(self._clock.now_ms()))
        else:
            notify("WATCHDOG=1")

    def _note_identity(self, site: str, device: str, identity: dict[str, str]) -> None:
        now_ms = self._clock.now_ms()
        if self._ledger.identity(site, device) != identity:
            self._ledger.add_event(site, EventKind.IDENTITY, device, now_ms, identity, now_ms)

    async def _in_writer(self, work: Callable[..., _T], *arguments: object) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._writing, work, *arguments)
