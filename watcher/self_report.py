"""What the daemon knows of itself, put together for the watchdog and for `watcher health`.

Rule: to look costs the loops nothing. What needs the ledger or the disk is looked up in a thread once a minute and
remembered; where a look fails, what was known before stands.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from watcher.clock import Clock
from watcher.collect.collectors import Collected, Collector
from watcher.domain.errors import CollectError
from watcher.domain.trouble import Trouble
from watcher.health import DeviceState, MailState, SiteState, SourceState, StoreState, WatcherState
from watcher.health_file import HealthFile
from watcher.inbox import Inbox
from watcher.loops import Loop
from watcher.sending import Sending
from watcher.store.ledger import Ledger

_ANY_TIME_MS = 2**62
_MAILS_LOOKED_AT = 1000


@dataclass(slots=True)
class _Source:
    """heard_ms: by device, since the start. down_since_ms: by device, of those that do not answer"""

    site: str
    heard_ms: dict[str, int] = field(default_factory=dict)
    down_since_ms: dict[str, int] = field(default_factory=dict)


class SelfReport:
    """clock, loops, collectors, inbox, ledger, sites: the daemon's own. sending: where readings go to a server

    file: where the state is put, None for nowhere
    """

    def __init__(
        self,
        clock: Clock,
        loops: Sequence[Loop],
        collectors: Sequence[Collector],
        inbox: Inbox,
        ledger: Ledger,
        sites: Sequence[str],
        evaluate_every_s: float,
        sending: Sending | None,
        file: HealthFile | None,
    ) -> None:
        self._clock, self._loops, self._inbox, self._ledger = clock, loops, inbox, ledger
        self._sites, self._evaluate_every_s, self._sending, self._file = sites, evaluate_every_s, sending, file
        self._collectors = {collector.name: collector for collector in collectors}
        self._sources = {name: _Source(name.partition("/")[0]) for name in self._collectors}
        self._started_ms = clock.now_ms()
        self._mail = MailState()
        self._judged: dict[str, int | None] = dict.fromkeys(sites)
        self._bytes = self._free_bytes = 0
        self._lost = 0
        self._lost_ms: int | None = None
        self.others: dict[str, Callable[[], bool]] = {}
        """Parts outside the daemon whose life is part of ours: by name, whether they live."""
        self.stored_ms: int | None = None
        self.space = ""
        self.refused: Counter[str] = Counter()

    def collected(self, collector: Collector, collected: Collected, now_ms: int) -> None:
        """Note whom a turn heard of and who did not answer."""
        source = self._sources[collector.name]
        source.site = collected.site
        for reading in collected.readings:
            source.heard_ms[reading.channel.partition(".")[0]] = now_ms
        down = _down(collector)
        source.down_since_ms = {device: source.down_since_ms.get(device, now_ms) for device in down}

    def look(self) -> None:
        """Look at the ledger and the disk; in a thread. StoreError, OSError where that cannot be."""
        if self._file is not None:
            self._bytes, self._free_bytes = self._file.kept_bytes(), self._file.free_bytes()
        waiting = self._ledger.waiting_mails()
        due = self._ledger.due_mails(_ANY_TIME_MS, _MAILS_LOOKED_AT) if waiting else ()
        self._mail = MailState(waiting, sum(1 for mail in due if mail.attempts))
        self.judged()

    def judged(self) -> bool:
        """Look up how far each site is judged; whether any is further than before."""
        before, self._judged = self._judged, {site: self._ledger.evaluated_until(site) for site in self._sites}
        return before != self._judged

    def write(self, *, stopped: bool = False) -> None:
        """Put the state where it can be read. OSError where that cannot be."""
        if self._file is not None:
            self._file.write(self.state(stopped=stopped))

    def state(self, *, stopped: bool = False) -> WatcherState:
        """How everything is at this moment."""
        now_ms, monotonic = self._clock.now_ms(), self._clock.monotonic()
        if self._inbox.lost > self._lost:
            self._lost, self._lost_ms = self._inbox.lost, now_ms
        return WatcherState(
            at_ms=now_ms,
            process_id=os.getpid(),
            started_ms=self._started_ms,
            stopped=stopped,
            clock_trusted=self._clock.trusted(),
            evaluate_every_s=self._evaluate_every_s,
            ended=tuple(name for name, lives in self.others.items() if not lives()),
            loops=tuple(loop.state(monotonic) for loop in self._loops),
            sources=tuple(self._source(name, source) for name, source in self._sources.items()),
            sites=tuple(SiteState(site, judged_ms) for site, judged_ms in self._judged.items()),
            store=StoreState(
                stored_ms=self.stored_ms,
                bytes=self._bytes,
                free_bytes=self._free_bytes,
                space=self.space,
                spooled=None if self._sending is None else self._sending.waiting,
                held=len(self._inbox),
                lost=self._lost,
                lost_ms=self._lost_ms,
                refused={**self.refused, **(self._sending.counted if self._sending is not None else {})},
            ),
            mail=self._mail,
        )

    def _source(self, name: str, source: _Source) -> SourceState:
        collector = self._collectors[name]
        down = _down(collector)
        ids = dict.fromkeys([*getattr(collector, "devices", ()), *source.heard_ms, *down])
        refused: Mapping[str, int] = getattr(collector, "refused", {})
        trouble: Trouble | None = getattr(collector, "trouble", None)
        return SourceState(
            name=name,
            site=source.site,
            refused={kind: int(count) for kind, count in refused.items() if count},
            trouble="" if trouble is None else trouble.why,
            trouble_since_ms=None if trouble is None else trouble.since_ms,
            devices=tuple(
                DeviceState(
                    id=device,
                    heard_ms=source.heard_ms.get(device),
                    down_since_ms=source.down_since_ms.get(device) if device in down else None,
                    remedy=str(down[device].remedy) if device in down else "",
                    error=str(down[device]) if device in down else "",
                )
                for device in sorted(ids)
            ),
        )


def _down(collector: Collector) -> Mapping[str, CollectError]:
    down: Mapping[str, CollectError] = getattr(collector, "down", {})
    return down
