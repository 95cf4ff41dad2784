"""How the watcher itself is: what it says of itself, and the judgement of what is wrong with it. Pure.

Rule: one judgement for the watchdog and for `watcher health`. What is deadly is not fed to the watchdog; all that is
wrong, deadly or not, is told. A state with a name (the disk is full) is wrong, and no death.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from watcher.domain.errors import Remedy
from watcher.domain.instant import DAY_MS, GRACE_MS, HOUR_MS, MINUTE_MS

STALE_MS = 5 * MINUTE_MS
"""A report older than this is no report: one is written each minute."""

DEVICE_PATIENCE_MS = 15 * MINUTE_MS
"""A device that misses a few polls is none the worse."""

ASLEEP_PATIENCE_MS = DAY_MS
"""An inverter that lives on its panels' light is heard every day."""

LOSS_TOLD_MS = DAY_MS
"""For how long readings that were given up are told of."""


class Wrong(StrEnum):
    """What can be wrong with us."""

    NOT_RUNNING = "not-running"
    NO_REPORT = "no-report"
    STALLED = "stalled"
    ENDED = "ended"
    FAILING = "failing"
    BLOCKED = "blocked"
    NOT_HEARD = "not-heard"
    NO_USE = "no-use"
    READINGS_LOST = "readings-lost"
    JUDGING_BEHIND = "judging-behind"
    MAIL_FAILING = "mail-failing"
    DISK_LOW = "disk-low"
    LEDGER = "ledger"


DEADLY = frozenset({Wrong.STALLED, Wrong.ENDED})
"""What only a new start puts right."""


@dataclass(frozen=True, slots=True)
class Fault:
    """where: a loop, "site device" or a part of ours. words: what is so, and where it helps what to do"""

    wrong: Wrong
    where: str
    words: str

    def __str__(self) -> str:
        return f"{self.where}: {self.words}"


@dataclass(frozen=True, slots=True)
class LoopState:
    """failing: failures since the last good turn. quiet_s: since the last sign of life, None where not begun

    left_behind: turns or threads of it that hang
    """

    name: str
    every_s: float
    patience_s: float
    turns: int = 0
    failures: int = 0
    failing: int = 0
    quiet_s: float | None = None
    blocked: str = ""
    error: str = ""
    left_behind: int = 0


@dataclass(frozen=True, slots=True)
class DeviceState:
    """heard_ms: when it last gave a reading, since the start. down_since_ms: None where it answers

    remedy, error: of its being down; "" where it is not
    """

    id: str
    heard_ms: int | None = None
    down_since_ms: int | None = None
    remedy: str = ""
    error: str = ""


@dataclass(frozen=True, slots=True)
class SourceState:
    """One collector. refused: since the start, by kind. trouble: why it brings nothing of use, "" where all is well"""

    name: str
    site: str
    refused: Mapping[str, int] = field(default_factory=dict)
    trouble: str = ""
    trouble_since_ms: int | None = None
    devices: tuple[DeviceState, ...] = ()


@dataclass(frozen=True, slots=True)
class SiteState:
    """judged_through_ms: the last grid point judged, None for a site never judged"""

    id: str
    judged_through_ms: int | None = None


@dataclass(frozen=True, slots=True)
class StoreState:
    """stored_ms: when readings were last written; the watermark of every site. space: how little room, or ""

    bytes: of everything in the data folder. spooled: rows that wait for the server, None where there is none
    held, lost: readings that wait in memory, and that were given up since the start; lost_ms: when last
    refused: what the store would not take, by kind
    """

    stored_ms: int | None = None
    bytes: int = 0
    free_bytes: int = 0
    space: str = ""
    spooled: int | None = None
    held: int = 0
    lost: int = 0
    lost_ms: int | None = None
    refused: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MailState:
    """waiting: not sent yet. failing: those of them that were tried and did not go"""

    waiting: int = 0
    failing: int = 0


@dataclass(frozen=True, slots=True)
class WatcherState:
    """at_ms: when this was so. stopped: it was written on the way out. evaluate_every_s: how often it judges

    ended: parts whose life is part of ours and that are over
    """

    at_ms: int
    process_id: int
    started_ms: int
    stopped: bool = False
    clock_trusted: bool = True
    evaluate_every_s: float = 900.0
    ended: tuple[str, ...] = ()
    loops: tuple[LoopState, ...] = ()
    sources: tuple[SourceState, ...] = ()
    sites: tuple[SiteState, ...] = ()
    store: StoreState = StoreState()
    mail: MailState = MailState()


def stalled(loop: LoopState) -> bool:
    """Whether a loop has given no sign of life for too long and has not said what blocks it."""
    return not loop.blocked and loop.quiet_s is not None and loop.quiet_s > loop.patience_s


def deadly(state: WatcherState) -> list[Fault]:
    """What starves the watchdog."""
    return [fault for fault in _ours(state) if fault.wrong in DEADLY]


def judged(
    state: WatcherState | None, running: bool, now_ms: int, asleep: Collection[tuple[str, str]] = (), why: str = ""
) -> list[Fault]:
    """Everything that is wrong, gravest first; empty where all is well.

    running: whether a watcher works with this folder now. why: there is no state
    asleep: (site, device) of those that may be silent now because their sun is down
    """
    if not running:
        words = f"not running; {why}"
        if state is not None:
            ago = lasting(now_ms - state.at_ms)
            words = f"stopped {ago} ago" if state.stopped else f"ended without a word; last heard of {ago} ago"
        return [Fault(Wrong.NOT_RUNNING, "watcher", words), *(_mails(state) if state is not None else ())]
    if state is None:
        return [Fault(Wrong.NO_REPORT, "watcher", f"it runs; {why}")]
    if state.stopped:
        return [Fault(Wrong.NO_REPORT, "watcher", "it has just been started and has not reported yet")]
    if now_ms - state.at_ms > STALE_MS:
        words = f"it runs, but has not reported for {lasting(now_ms - state.at_ms)}"
        return [Fault(Wrong.NO_REPORT, "watcher", words), *_ours(state)]
    found = [*_ours(state), *_sources(state, asleep), *_judging(state)]
    return sorted(found, key=lambda fault: fault.wrong not in DEADLY)


def _ours(state: WatcherState) -> Iterator[Fault]:
    for loop in state.loops:
        if stalled(loop):
            quiet = lasting(round((loop.quiet_s or 0.0) * 1000))
            because = f"; {loop.error}" if loop.error else ""
            yield Fault(Wrong.STALLED, loop.name, f"no sign of life for {quiet}{because}")
        elif loop.blocked:
            yield Fault(Wrong.BLOCKED, loop.name, BLOCKED_WORDS.get(loop.blocked, loop.blocked))
        elif loop.failing:
            times = "once" if loop.failing == 1 else f"{loop.failing} times in a row"
            yield Fault(Wrong.FAILING, loop.name, f"failed {times}; {loop.error}")
    for name in state.ended:
        yield Fault(Wrong.ENDED, name, "has ended; a new start is needed")
    store = state.store
    if store.lost and store.lost_ms is not None and state.at_ms - store.lost_ms < LOSS_TOLD_MS:
        words = f"{store.lost} readings were given up, since there was no room to hold them until they could be stored"
        yield Fault(Wrong.READINGS_LOST, "store", words)
    if store.space:
        yield Fault(Wrong.DISK_LOW, "store", store.space)
    yield from _mails(state)


def _mails(state: WatcherState) -> Iterator[Fault]:
    if state.mail.failing:
        words = f"{state.mail.failing} of {state.mail.waiting} that wait were tried and did not go; the log says why"
        yield Fault(Wrong.MAIL_FAILING, "mail", words)


BLOCKED_WORDS: Mapping[str, str] = {
    "clock-untrusted": "clock-untrusted: the clock is wrong, and nothing is dated by it; is the network there?",
    "disk-full": "disk-full: readings wait in memory until there is room",
    "database-busy": "database-busy: another program holds a database locked; readings wait in memory",
    "store-down": "store-down: the readings server does not answer; readings wait on the disk",
}


def _sources(state: WatcherState, asleep: Collection[tuple[str, str]]) -> Iterator[Fault]:
    for source in state.sources:
        for device in source.devices:
            if device.down_since_ms is None:
                continue
            silent_ms = state.at_ms - (device.heard_ms or device.down_since_ms)
            patience_ms = ASLEEP_PATIENCE_MS if (source.site, device.id) in asleep else DEVICE_PATIENCE_MS
            if device.remedy == Remedy.RETRY and silent_ms <= patience_ms:
                continue
            since = f"not heard for {lasting(silent_ms)}" if device.heard_ms else "not heard since the start"
            hint = f" ({device.remedy})" if device.remedy != Remedy.RETRY else ""
            yield Fault(Wrong.NOT_HEARD, f"{source.site} {device.id}", f"{since}; {device.error}{hint}")
        if source.trouble:
            lasts = lasting(state.at_ms - (source.trouble_since_ms or state.at_ms))
            yield Fault(Wrong.NO_USE, source.name, f"nothing of use for {lasts}; {source.trouble}")


def _judging(state: WatcherState) -> Iterator[Fault]:
    if state.store.stored_ms is None:
        return
    due_ms = state.store.stored_ms - GRACE_MS
    most_ms = max(HOUR_MS, round(3000 * state.evaluate_every_s))
    for site in state.sites:
        # What was missed while we were not there takes its time to be made up for.
        if due_ms - max(site.judged_through_ms or 0, state.started_ms) <= most_ms:
            continue
        words = "not judged yet"
        if site.judged_through_ms is not None:
            words = f"judging is {lasting(due_ms - site.judged_through_ms)} behind"
        yield Fault(Wrong.JUDGING_BEHIND, site.id, f"{words}; the log says why")


def lasting(ms: int) -> str:
    """A span of time for reading: "40 s", "12 min", "3 h 05 min", "2 days 4 h"."""
    seconds = max(0, round(ms / 1000))
    if seconds < 120:
        return f"{seconds} s"
    minutes = seconds // 60
    if minutes < 120:
        return f"{minutes} min"
    hours = minutes // 60
    return f"{hours} h {minutes % 60:02d} min" if hours < 48 else f"{hours // 24} days {hours % 24} h"
