"""The daemon: collects, stores, has the due points judged, sends the mails. Imports nothing heavy.

Every reading passes the inbox and the one writer; every judgement is the worker's, in a process of its own; every
mail waits in the ledger's outbox. Loops know nothing of each other: what one leaves behind, the next finds.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
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
from watcher.health import deadly
from watcher.health_file import HealthFile
from watcher.held import Held
from watcher.inbox import Inbox
from watcher.loops import TURN_LIMIT_S, Loop, run_all
from watcher.notify.absences import settled
from watcher.notify.outbox import Manners, Pauses, Sender, deliver_due
from watcher.sd_notify import notify
from watcher.self_report import SelfReport
from watcher.sending import Sending
from watcher.store.ledger import Ledger
from watcher.store.trouble import StoreBusy, StoreDamaged, StoreFull
from watcher.threads import LeavableThreads
from watcher.watchdog import Watchdog, service_manager
from watcher.worker_process import SitesNotJudged, WorkerError

log = logging.getLogger(__name__)

_T = TypeVar("_T")

FLUSH_S = 60.0
POST_S = 60.0
SEND_S = 10.0
REPORT_S = 60.0

JUDGE_LIMIT_S = 720.0
"""The worker's own limit is shorter; this is for one that cannot even be ended."""

POST_LIMIT_S = 900.0
"""A mail whose handing over is abandoned may go out twice: better to wait for a slow server."""

LAST_FLUSH_S, LAST_CLOSE_S = 10.0, 5.0
"""How long a stop waits for the last write and for devices to be let go."""

AT_ONCE = 16
"""Calls into blocking libraries under way at a time, those that hang not counted."""


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
    watch: what the operator must hear at an instant, each thing once. manners: how mails go out
    held: keeps what is read before the clock is trusted, or None. sending: carries readings to a server, or None
    space: how little room is left on the disk, in words, or "". warn: the operator's message of those words
    health: where we say how we are. suspect: told what a damaged store said; who starts us next puts the file right
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
    sending: Sending | None = None
    space: Callable[[], str] = str
    warn: Callable[[str], EmailMessage] | None = None
    suspect: Callable[[str], None] | None = None
    watch: Callable[[int], Sequence[EmailMessage]] = lambda now_ms: ()
    health: HealthFile | None = None
    held: Held | None = None
    manners: Manners = Manners()  # noqa: RUF009 - it is frozen


class Daemon:
    """All parts are given; nothing is built here (wiring.py does that)."""

    def __init__(self, parts: Parts, watchdog: Watchdog | None = None) -> None:
        """watchdog: fed while all is alive; the service manager's where none is given and there is one."""
        self._parts, self._clock, self._ledger = parts, parts.clock, parts.ledger
        self._notices, self._pauses = list(parts.notices), Pauses()
        self.inbox = Inbox(parts.sites)
        self._identities: dict[tuple[str, str], tuple[dict[str, str], int]] = {}
        self._warned = False
        self.again = False
        self._present_ms = 0
        self._dated = False
        self.stop = asyncio.Event()
        # One writer thread: order of writing is order of arrival, and the readings file has one writing connection.
        self._writing = LeavableThreads(1, "writer", in_order=True)
        self._flushing = Loop("flush", FLUSH_S, self._guarded(self._flush), vital=True)
        self._judging = Loop(
            "judge", parts.evaluate_every_s, self._guarded(self._judge_due), limit_s=JUDGE_LIMIT_S, vital=True
        )
        self.loops = [
            *(self._collecting(collector) for collector in parts.collectors),
            self._flushing,
            self._judging,
            Loop("post", POST_S, self._guarded(self._post), limit_s=POST_LIMIT_S),
        ]
        if parts.sending is not None:
            self.loops.append(self._sending(parts.sending))
        if parts.health is not None:
            self.loops.append(Loop("report", REPORT_S, self._report))
        self.report = SelfReport(
            parts.clock, self.loops, parts.collectors, self.inbox, parts.ledger, parts.sites, parts.evaluate_every_s,
            parts.sending, parts.health,
        )  # fmt: skip
        self._watchdog = watchdog if watchdog is not None else service_manager()
        self._starved: list[str] = []
        if self._watchdog is not None:
            self.loops.append(Loop("watchdog", self._watchdog.every_s, self._feed_watchdog))

    async def run(self) -> None:
        """Until `stop` is set. What is in the inbox then is still written.

        `again` says then whether we are to be started anew, since a store was found damaged.
        """
        asyncio.get_running_loop().set_default_executor(LeavableThreads(AT_ONCE, "aside"))
        notify("READY=1")
        log.info("watching sites=%d collectors=%d", len(self._parts.sites), len(self._parts.collectors))
        try:
            await run_all(self.loops, self._clock, self.stop)
        finally:
            notify("STOPPING=1")
            await self._flush_at_last()
            await self._let_go()
            await self._parts.judge.close()
            await self._report_at_last()
            self._writing.shutdown()
            if self._writing.idle:  # or to close the files would wait for the call that hangs in one of them
                self._parts.readings.close()
                self._ledger.close()
            log.info("stopped")

    async def _let_go(self) -> None:
        """Close what was asked for readings, all at once: one that hangs keeps nobody."""
        closing = {asyncio.create_task(one.close(), name=one.name) for one in self._parts.collectors}
        if not closing:
            return
        done, hanging = await asyncio.wait(closing, timeout=LAST_CLOSE_S)
        for task in hanging:
            log.warning("not-closed collector=%s", task.get_name())
            task.cancel()
        for task in done:
            if (error := task.exception()) is not None:
                log.warning("not-closed collector=%s error=%s", task.get_name(), error)

    async def _flush_at_last(self) -> None:
        """Write what is held; once more where that fails, for nobody comes after us to do it."""
        error: Exception | None = None
        for _ in range(2):
            try:
                await asyncio.wait_for(self._flush(), LAST_FLUSH_S)
            except (StoreError, TimeoutError) as failed:
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
                await self._hold(collector)
                return
            collected = await collector.collect(self._clock.now_ms(), self._clock.monotonic())
            self.inbox.add(collected)
            self.report.collected(collector, collected, self._clock.now_ms())
            # Noted with the next flush: collecting never waits for a store.
            for device, identity in collected.identities.items():
                self._identities[collected.site, device] = (dict(identity), self._clock.now_ms())

        limit_s: float = getattr(collector, "limit_s", TURN_LIMIT_S)
        loop = Loop(f"collect {collector.name}", collector.every_s, turn, first_s=collector.first_s, limit_s=limit_s)
        return loop

    async def _hold(self, collector: Collector) -> None:
        """Read before the time is known, where a reading is stamped by us; what is dated or asked by date waits."""
        if self._parts.held is None or not getattr(collector, "stamps_now", False):
            return
        now_ms, monotonic = self._clock.now_ms(), self._clock.monotonic()
        collected = await collector.collect(now_ms, monotonic)
        self._parts.held.add(collected.site, collected.readings, now_ms, monotonic)
        for device, identity in collected.identities.items():
            self._identities[collected.site, device] = (dict(identity), now_ms)

    async def _date_held(self) -> None:
        """What was held goes into the inbox as any reading, once; the file goes when the store has it."""
        held = self._parts.held
        if held is not None and not self._dated and held.waiting:
            offset_ms = self._clock.now_ms() - round(self._clock.monotonic() * 1000)
            for site, readings in (await self._in_writer(held.date, offset_ms)).items():
                self.inbox.add(Collected(site, tuple(readings)))
                log.info("dated-held site=%s readings=%d", site, len(readings))
            self._dated = True
            # Who a device is was not asked again since; that it is so now is certain.
            self._identities = {key: (said, self._clock.now_ms()) for key, (said, _) in self._identities.items()}

    def _sending(self, sending: Sending) -> Loop:
        async def turn() -> None:
            loop.blocked = "" if self._clock.trusted() else "clock-untrusted"
            if not loop.blocked:
                # Not the writer's thread: a server that does not answer would keep readings from the disk.
                loop.blocked = await asyncio.to_thread(sending.turn, self._clock.now_ms())

        loop = Loop("send", SEND_S, self._guarded(turn))
        return loop

    async def _flush(self) -> None:
        """One transaction a minute: the readings held, and every site's watermark. Then what devices say they are."""
        if not self._clock.trusted():
            if self._parts.held is not None:
                await self._in_writer(self._parts.held.keep)
            return
        await self._date_held()
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
            if self._dated and self._parts.held is not None:
                await self._in_writer(self._parts.held.forget)
                self._dated = False
            self.report.stored_ms = self._clock.now_ms()
            if appended.conflicting:
                self.report.refused["conflicting"] += appended.conflicting
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
        self._warned, self.report.space = bool(words), words

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
        self._judging.blocked = "" if self._clock.trusted() else "clock-untrusted"
        if self._judging.blocked:
            return
        try:
            await self._parts.judge.judge(self._parts.sites)
        except SitesNotJudged:
            self._judging.progressed()  # a site's trouble is its own
            raise
        except WorkerError:
            # A long history is judged in more rounds than one.
            if await asyncio.to_thread(self.report.judged):
                self._judging.progressed()
            raise

    async def _post(self) -> None:
        if not self._clock.trusted():
            return  # a mail carries a date
        self._notices = settled([*self._notices, *self._parts.watch(self._clock.now_ms())])
        try:
            while self._notices:
                await asyncio.to_thread(self._parts.senders[-1].send, self._notices[0])
                del self._notices[0]
        finally:  # an operator's address that fails must not silence the others
            parts, now_ms = self._parts, self._clock.now_ms()
            await deliver_due(self._ledger, parts.senders, now_ms, parts.who, self._pauses, parts.manners)

    async def _report(self) -> None:
        """Say how we are, for whoever asks. A look that fails says so by the loop's failing; the rest is told."""
        try:
            await asyncio.to_thread(self.report.look)
        finally:
            await asyncio.to_thread(self.report.write)

    async def _report_at_last(self) -> None:
        with suppress(OSError, TimeoutError):
            await asyncio.wait_for(asyncio.to_thread(self.report.write, stopped=True), LAST_CLOSE_S)

    async def _feed_watchdog(self) -> None:
        assert self._watchdog is not None
        starved = [str(fault) for fault in deadly(self.report.state())]
        if not starved:
            self._watchdog.feed()
        elif [one.partition(":")[0] for one in starved] != [one.partition(":")[0] for one in self._starved]:
            log.error("stuck %s at=%s", "; ".join(starved), iso(self._clock.now_ms()))
        self._starved = starved

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
