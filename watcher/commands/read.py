"""`watcher read`: what somebody read from a meter's display, checked, asked about where it is odd, and recorded.

It takes effect with the next judging, whether or not the watcher runs now.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from watcher.alert.wording_entry import kwh, question
from watcher.align.entry import Consent, Entered, Entry
from watcher.align.typed import Standing, TypedReading
from watcher.clock import SystemClock
from watcher.config import load_sites, load_watcher
from watcher.domain.errors import Problem, SetupError
from watcher.domain.event import Document
from watcher.domain.instant import iso, parse_iso
from watcher.domain.site import Meter
from watcher.photo import kept_photo
from watcher.reading_desk import ReadingDesk
from watcher.store.choice import open_reader
from watcher.store.ledger import Ledger
from watcher.wiring import Files


def run_read(options: argparse.Namespace) -> int:
    """0 where the reading counts, 1 where it waits for an answer; without a value, list what was typed."""
    now_ms = SystemClock().now_ms()
    at_ms = instant_of(options.at, now_ms)
    with open_desk(options.config, options.site) as desk:
        meter = meter_of(desk, options.meter, at_ms)
        if options.withdraw:
            return _withdraw(desk, meter, options, at_ms, now_ms)
        photo = _photo(options.photo)
        if options.unreadable:
            desk.cannot_be_read(meter.id, at_ms, options.who, now_ms, photo)
            print(f"recorded: the display of {meter.id} could not be read at {iso(at_ms)}")
            return 0
        if options.value is None:
            _list(desk, meter)
            return 0
        entry = Entry(at_ms, options.value, options.who, options.serial, "" if photo is None else photo.sha256)
        consent = Consent.AS_TYPED if options.confirm else Consent.AS_OFFERED if options.accept else Consent.NONE
        try:
            entered = desk.take(meter.id, entry, now_ms, consent, photo)
        except ValueError as error:
            raise SetupError((Problem("command line", "VALUE", options.value, str(error)),)) from None
        if entered.reading.standing is Standing.ASKED and consent is Consent.NONE and sys.stdin.isatty():
            entered = _ask(desk, meter, entry, entered, now_ms)
        return _say(meter, entered)


@contextmanager
def open_desk(watcher_file: Path, site: str) -> Iterator[ReadingDesk]:
    """The desk of one site, with its stores open. SetupError where there is no such site."""
    config = load_watcher(watcher_file)
    found = load_sites(config.sites_folder)
    if site not in found.good:
        allowed = f"no such site; there are {', '.join(sorted(found.good)) or 'none'}"
        raise SetupError((Problem(str(config.sites_folder), "SITE", site, allowed), *found.problems))
    config.data_folder.mkdir(parents=True, exist_ok=True)
    files = Files.of(config)
    with Ledger(files.ledger_url) as ledger:
        if not files.readings.exists():  # nothing was ever measured here
            yield ReadingDesk(ledger, found.good[site])
            return
        with open_reader(files.readings, files.server) as stored:
            yield ReadingDesk(ledger, found.good[site], stored)


def meter_of(desk: ReadingDesk, meter: str, at_ms: int) -> Meter:
    there = sorted({one.id for one in desk.record.meters})
    if meter not in there:
        allowed = f"no such meter; there are {', '.join(there) or 'none'}"
        raise SetupError((Problem("command line", "METER", meter, allowed),))
    return desk.life(meter).facts(at_ms)[1]


def instant_of(text: str | None, now_ms: int, key: str = "--at") -> int:
    """An instant that has been; now where nothing is said."""
    if text is None:
        return now_ms
    try:
        at_ms = parse_iso(text)
    except ValueError:
        must = "must be ISO 8601 with an offset or Z"
        raise SetupError((Problem("command line", key, text, must),)) from None
    if at_ms > now_ms:
        raise SetupError((Problem("command line", key, text, "lies ahead; it is recorded once it has been"),))
    return at_ms


def _photo(path: Path | None) -> Document | None:
    if path is None:
        return None
    try:
        return kept_photo(path.read_bytes())
    except (OSError, ValueError) as error:
        raise SetupError((Problem("command line", "--photo", str(path), str(error)),)) from None


def _ask(desk: ReadingDesk, meter: Meter, entry: Entry, entered: Entered, now_ms: int) -> Entered:
    """Ask the person at the keyboard; what was typed is recorded already."""
    offered = entered.check.offered_wh
    print(question(entered.check, meter.decimals))
    choices = "y: it is right; n: leave it open"
    if offered is not None:
        choices = f"o: {kwh(offered, meter.decimals)} was meant; {choices}"
    said = input(f"{entry.text}? [{choices}] ").strip().lower()[:1]
    consent = {"y": Consent.AS_TYPED, "o": Consent.AS_OFFERED}.get(said, Consent.NONE)
    return entered if consent is Consent.NONE else desk.take(meter.id, entry, now_ms, consent)


def _say(meter: Meter, entered: Entered) -> int:
    reading, check = entered.reading, entered.check
    for one in entered.settled:
        said = "counts now" if one.standing is Standing.GOOD else "is withdrawn"
        print(f"settled: {one.typed} of {iso(one.at_ms)} {said}")
    if reading.standing is Standing.GOOD:
        print(f"recorded: {meter.id} {kwh(reading.index_wh, meter.decimals)} kWh at {iso(reading.at_ms)}")
        return 0
    print(f"recorded, but it does not count yet: {meter.id} {reading.typed} at {iso(reading.at_ms)}")
    print(question(check, meter.decimals))
    again = f"the same again with --at {iso(reading.at_ms)} and"
    if check.offered_wh is not None:
        print(f"if {kwh(check.offered_wh, meter.decimals)} was meant: {again} --accept")
    print(f"if it is right: {again} --confirm")
    return 1


def _withdraw(desk: ReadingDesk, meter: Meter, options: argparse.Namespace, at_ms: int, now_ms: int) -> int:
    there = [one for one in desk.readings(meter.id) if one.at_ms == at_ms]
    if not there:
        raise SetupError((Problem("command line", "--at", iso(at_ms), "no reading was typed for this instant"),))
    desk.withdraw(there[0], options.who, now_ms)
    print(f"withdrawn: {meter.id} {there[0].typed} of {iso(at_ms)}; it stays in the log")
    return 0


def _list(desk: ReadingDesk, meter: Meter) -> None:
    readings = desk.readings(meter.id)
    print(f"{meter.id}: {len(readings)} readings")
    for one in readings:
        print(line_of(one, meter.decimals))


def line_of(reading: TypedReading, decimals: int) -> str:
    """One reading with what is remarkable of it."""
    said = f"{iso(reading.at_ms)}  {kwh(reading.index_wh, decimals):>12} kWh  {reading.standing}"
    if reading.typed_wh != reading.index_wh:
        said += f"  typed {reading.typed}"
    if reading.standing is Standing.ASKED and reading.offered_wh is not None:
        said += f"  meant {kwh(reading.offered_wh, decimals)}?"
    return said + (f"  by {reading.who}" if reading.who else "") + ("  picture" if reading.photo else "")
