"""`watcher health`: how the watcher itself is, in plain words, while it runs and when it does not.

Reads the daemon's own report and the ledger; asks no device and changes nothing. What is wrong comes first, one line
each, then how everything stands. Exit code 0 only where all is well, 1 otherwise.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from watcher.clock import SystemClock
from watcher.config import WatcherConfig, load_sites, load_watcher
from watcher.domain.errors import StoreError
from watcher.domain.instant import HOUR_MS, iso
from watcher.health import Fault, MailState, SiteState, WatcherState, Wrong, judged, lasting, stalled
from watcher.health_file import HealthFile, NoReport
from watcher.store.folder_lock import in_use
from watcher.store.ledger import Ledger
from watcher.sun_height import sun_height_deg
from watcher.wiring import Files

DAYLIGHT_DEG = 10.0
"""With the sun this high for an hour an inverter that lives on it is awake, whatever the weather and the hills."""


def run_health(watcher_file: Path, as_json: bool) -> int:
    """Print how the watcher is. SetupError where the watcher file is bad."""
    config = load_watcher(watcher_file)
    now_ms = SystemClock().now_ms()
    state, found = look(config, now_ms)
    if as_json:
        told = [{"wrong": str(one.wrong), "where": one.where, "words": one.words} for one in found]
        print(json.dumps({"well": not found, "faults": told, "state": None if state is None else asdict(state)}))
    else:
        print("\n".join(page(state, found, now_ms)))
    return 1 if found else 0


def look(config: WatcherConfig, now_ms: int) -> tuple[WatcherState | None, list[Fault]]:
    """The newest report, with what the ledger says now, and everything that is wrong."""
    files, why = Files.of(config), ""
    state: WatcherState | None = None
    try:
        running = in_use(files.folder)
        state = HealthFile(files.folder).read()
    except NoReport as error:
        why = str(error)
    except OSError as error:
        return None, [Fault(Wrong.NOT_RUNNING, "watcher", f"{files.folder} cannot be looked into: {error.strerror}")]
    found: list[Fault] = []
    if state is not None:
        try:
            state = _with_ledger(state, files)
        except StoreError as error:
            found.append(Fault(Wrong.LEDGER, "ledger", str(error)))
    return state, [*judged(state, running, now_ms, _asleep(config, now_ms), why), *found]


def _with_ledger(state: WatcherState, files: Files) -> WatcherState:
    """The report with what has changed since: mails that wait, and how far each site is judged."""
    if not files.ledger.is_file():  # to open it would make one
        raise StoreError(f"{files.ledger}: no such file")
    with Ledger(files.ledger_url) as ledger:
        waiting = ledger.waiting_mails()
        failing = sum(1 for mail in ledger.due_mails(2**62, 1000) if mail.attempts) if waiting else 0
        sites = tuple(SiteState(site.id, ledger.evaluated_until(site.id)) for site in state.sites)
    return replace(state, mail=MailState(waiting, failing), sites=sites)


def _asleep(config: WatcherConfig, now_ms: int) -> set[tuple[str, str]]:
    """The inverters that may be silent now: their sun is down, or was within the hour."""
    found: set[tuple[str, str]] = set()
    for id, record in load_sites(config.sites_folder).good.items():
        site = record.at(now_ms)
        heights = [sun_height_deg(site.latitude_deg, site.longitude_deg, at) for at in (now_ms - HOUR_MS, now_ms)]
        if min(heights) < DAYLIGHT_DEG:
            found |= {(id, inverter.id) for inverter in site.inverters}
    return found


def page(state: WatcherState | None, found: Sequence[Fault], now_ms: int) -> Iterator[str]:
    """What is printed, line by line."""
    if found:
        yield "1 thing is wrong:" if len(found) == 1 else f"{len(found)} things are wrong:"
        yield from (f"  {fault}" for fault in found)
    else:
        yield "all is well"
    if state is None:
        return
    store = state.store
    written = "nothing yet" if store.stored_ms is None else f"up to {_ago(store.stored_ms, now_ms)}"
    spooled = "" if store.spooled is None else f", {store.spooled} rows wait for the server"
    yield ""
    yield f"watcher   process {state.process_id}, started {iso(state.started_ms)}, reported {_ago(state.at_ms, now_ms)}"
    yield f"clock     {'trusted' if state.clock_trusted else 'not trusted'}"
    yield f"store     written {written}; {store.held} readings held, {store.lost} lost{spooled}"
    yield f"disk      {_size(store.bytes)} kept, {_size(store.free_bytes)} free"
    yield f"mail      {state.mail.waiting} waiting, {state.mail.failing} of them failing"
    if store.refused:
        yield f"refused   {_counts(store.refused)} (by the store, since the start)"
    for site in state.sites:
        through = "never" if site.judged_through_ms is None else f"{iso(site.judged_through_ms)}"
        yield f"judged    {site.id}: {through}"
    yield ""
    yield from _columns([("loop", "every", "turns", "failed", "quiet for"), *_loops(state)])
    if state.sources:
        yield ""
        yield from _columns([("source", "device", "last heard", "state"), *_devices(state, now_ms)])


def _loops(state: WatcherState) -> Iterator[Sequence[str]]:
    for loop in state.loops:
        quiet = "not begun" if loop.quiet_s is None else lasting(round(loop.quiet_s * 1000))
        words = [
            loop.blocked,
            "stalled" if stalled(loop) else "",
            f"{loop.left_behind} hang" if loop.left_behind else "",
        ]
        yield (
            loop.name,
            f"{loop.every_s:g} s",
            str(loop.turns),
            str(loop.failures),
            ", ".join([quiet, *filter(None, words)]),
        )


def _devices(state: WatcherState, now_ms: int) -> Iterator[Sequence[str]]:
    for source in state.sources:
        name = source.name
        for device in source.devices:
            heard = "not since the start" if device.heard_ms is None else _ago(device.heard_ms, now_ms)
            words = ""
            if device.down_since_ms is not None:
                words = f"down since {iso(device.down_since_ms)} ({device.remedy})"
            yield name, device.id, heard, words
            name = ""
        if source.refused:
            yield name, "", "", f"refused: {_counts(source.refused)}"


def _columns(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _counts(counted: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counted.items()))


def _ago(at_ms: int, now_ms: int) -> str:
    return f"{lasting(now_ms - at_ms)} ago"


def _size(amount: int) -> str:
    for unit, size in (("GB", 1e9), ("MB", 1e6)):
        if amount >= size:
            return f"{amount / size:.1f} {unit}"
    return f"{amount / 1e3:.0f} kB"
