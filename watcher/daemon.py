"""The daemon: collects, stores, has the due points judged, sends the mails. Imports nothing heavy.

Every reading passes the inbox and the one writer; every judgement is the worker's, in a process of its own; every
mail waits in the ledger's outbox. Loops know nothing of each other: what one leaves behind, the next finds.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Protocol, TypeVar

from watcher.clock import Clock
from watcher.collect.collectors import Collected, Collector
from watcher.domain.errors import StoreError
from watcher.domain.event import EventKind
from watcher.domain.firm import Firm
from watcher.domain.instant import floor_grid, iso
from watcher.domain.quantity import BOARD
from watcher.domain.reading import Appended, Reading
from watcher.domain.site import Site
from watcher.inbox import Inbox
from watcher.loops import Loop, run_all
from watcher.notify.outbox import Pauses, Sender, deliver_due
from watcher.sd_notify import notify, watchdog_interval_s
from watcher.store.ledger import Ledger
from watcher.store.trouble import StoreBusy, StoreDamaged, StoreFull

log = logging.getLogger(__name__)

_T = TypeVar("_T")

FLUSH_S = 60.0
POST_S = 60.0
SEND_S = 10.0


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


@dataclass(frozen=True, slots=True)
class Parts:
    """What a daemon is made of.

    sites: ids of the sites watched. who: the site as it is now and the firm that signs for it, by site id
    senders: the last carries a mail, those before it keep copies. notices: messages to the operator, sent first
    watch: what the operator must hear at an instant, each thing once
    send: carries readings to a server; what blocks that, in a word, or ""
    space: how little room is left on the disk, in words, or "". warn: the operator's message of those words
    suspect: told what a damaged store said; who starts us next puts the file right
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
    send: Callable[[int], str] | None = None
    space: Callable[[], str] = str
    warn: Callable[[str], EmailMessage] | None = None
    suspect: Callable[[str], None] | None = None
    watch: Callable[[int], Sequence[EmailMessage]] = lambda now_ms: ()


class Daemon:
    """All parts are given; nothing is built here (wiring.py does that)."""

    def __init__(self, parts: Parts) -> None:
        self._parts, self._clock, self._ledger = parts, parts.clock, parts.ledger
        self._notices, self._pauses = list(parts.notices), Pauses()
        self.inbox = Inbox(parts.sites)
        self._identities: dict[tuple[str, str], tuple[dict[str, str], int]] = {}
        self._warned = False
        self.again = False
        self._present_ms = 0
        self.stop = asyncio.Event()
        # One writer thread: order of writing is order of arrival, and the readings file has one writing connection.
        self._writing = ThreadPoolExecutor(max_workers=1, thread_name_prefix="writer")
        self.loops = [
            *(self._collecting(collector) for collector in parts.collectors),
            (flushing := Loop("flush", FLUSH_S, self._guarded(self._flush))),
            Loop("judge", parts.evaluate_every_s, self._guarded(self._judge_due)),
            Loop("post", POST_S, self._guarded(self._post)),
        ]
        self._flushing = flushing
        if parts.send is not None:
            self.loops.append(self._sending(parts.send))
        if (watchdog_s := watchdog_interval_s()) is not None:
            self.loops.append(Loop("watchdog", watchdog_s, self._feed_watchdog))

    async def run(self) -> None:
        """Until `stop` is set. What is in the inbox then is still written.

        `again` says then whether we are to be started anew, since a store was found damaged.
        """
        notify("READY=1")
        log.info("watching sites=%d collectors=%d", len(self._parts.sites), len(self._parts.collectors))
        try:
            await run_all(self.loops, self._clock, self.stop)
        finally:
            notify("STOPPING=1")
            await self._flush_at_last()
            for collector in self._parts.collectors:
                await collector.close()
            await self._parts.judge.close()
            self._writing.shutdown()
            self._parts.readings.close()
            self._ledger.close()
            log.info("stopped")

    async def _flush_at_last(self) -> None:
        """Write what is held; once more where that fails, for nobody comes after us to do it."""
        error: StoreError | None = None
        for _ in range(2):
            try:
                await self._flush()
            except StoreError as failed:
                error = failed
            if not len(self.inbox):
                return
        log.error("not-written readings=%d error=%s", len(self.inbox), error or self._flushing.blocked)

    def tell(self, message: EmailMessage) -> None:
        """Send the operator a message with the next post."""
        self._notices.append(message)

    async def upkeep(self) -> None:
        """Nightly work on the store, turn by turn: between two turns the writer does what else there is."""

        async def work() -> None:
            while self._clock.trusted() and await self._in_writer(self._parts.readings.upkeep, self._clock.now_ms()):
                pass

        await self._guarded(work)()

    def _collecting(self, collector: Collector) -> Loop:
        async def turn() -> None:
            loop.blocked = "" if self._clock.trusted() else "clock-untrusted"
            if loop.blocked:
                return
            collected = await collector.collect(self._clock.now_ms(), self._clock.monotonic())
            self.inbox.add(collected)
            # Noted with the next flush: collecting never waits for a store.
            for device, identity in collected.identities.items():
                self._identities[collected.site, device] = (dict(identity), self._clock.now_ms())

        loop = Loop(f"collect {collector.name}", collector.every_s, turn, first_s=collector.first_s)
        return loop

    def _sending(self, send: Callable[[int], str]) -> Loop:
        async def turn() -> None:
            loop.blocked = "" if self._clock.trusted() else "clock-untrusted"
            if not loop.blocked:
                # Not the writer's thread: a server that does not answer would keep readings from the disk.
                loop.blocked = await asyncio.to_thread(send, self._clock.now_ms())

        loop = Loop("send", SEND_S, self._guarded(turn))
        return loop

    async def _flush(self) -> None:
        """One transaction a minute: the readings held, and every site's watermark. Then what devices say they are."""
        if not self._clock.trusted():
            return
        self._say_present()
        batches = self.inbox.take()
        try:
            appended = await self._in_writer(self._parts.readings.append, batches, self._clock.now_ms())
        except (StoreFull, StoreBusy) as error:
            self.inbox.put_back(batches)
            self._blocked(error)
        except BaseException:
            self.inbox.put_back(batches)
            raise
        else:
            self._blocked(None)
            if appended.conflicting:
                log.warning("conflicting-readings count=%d (the first were kept)", appended.conflicting)
            await self._note_identities()
        await self._mind_the_space()

    def _blocked(self, error: StoreError | None) -> None:
        """Say once that the store cannot be written, and once that it can be again. What waits, waits in the inbox."""
        before = self._flushing.blocked
        now = "" if error is None else "disk-full" if isinstance(error, StoreFull) else "database-busy"
        self._flushing.blocked = now
        if now and now != before:
            log.warning("%s held=%d error=%s", now, len(self.inbox), error)
        elif before and not now:
            log.info("store-written-again after=%s lost=%d", before, self.inbox.lost)

    async def _mind_the_space(self) -> None:
        words = await self._in_writer(self._parts.space)
        if words and not self._warned:
            log.warning("disk-low %s", words)
            if self._parts.warn is not None:
                self._notices.append(self._parts.warn(words))
        self._warned = bool(words)

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
        try:
            while self._notices:
                await asyncio.to_thread(self._parts.senders[-1].send, self._notices[0])
                del self._notices[0]
        finally:  # an operator's address that fails must not silence the others
            await deliver_due(self._ledger, self._parts.senders, self._clock.now_ms(), self._parts.who, self._pauses)

    async def _feed_watchdog(self) -> None:
        stuck = [loop.name for loop in self.loops if not loop.alive(self._clock.monotonic())]
        if stuck:
            log.error("stuck loops=%s at=%s", ", ".join(stuck), iso(self._clock.now_ms()))
        else:
            notify("WATCHDOG=1")

    async def _note_identities(self) -> None:
        while self._identities:
            (site, device), (identity, at_ms) = next(iter(self._identities.items()))
            try:
                await self._in_writer(self._note_identity, site, device, identity, at_ms)
            except (StoreFull, StoreBusy):
                return  # with the next flush
            if self._identities.get((site, device)) == (identity, at_ms):
                del self._identities[site, device]

    def _note_identity(self, site: str, device: str, identity: dict[str, str], at_ms: int) -> None:
        if self._ledger.identity(site, device) != identity:
            self._ledger.add_event(site, EventKind.IDENTITY, device, at_ms, identity, self._clock.now_ms())

    def _guarded(self, turn: Callable[[], Awaitable[None]]) -> Callable[[], Awaitable[None]]:
        """The same work; a damaged store ends us in order, so that we are started anew and the file is put right."""

        async def guarded() -> None:
            try:
                await turn()
            except StoreDamaged as error:
                if self.again:
                    return
                log.error("store-damaged, starting anew: %s", error)
                if self._parts.suspect is not None:
                    self._parts.suspect(str(error))
                self.again = True
                self.stop.set()

        return guarded

    async def _in_writer(self, work: Callable[..., _T], *arguments: object) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._writing, work, *arguments)
