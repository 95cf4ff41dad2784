"""`watcher import --readings FILE`: a spreadsheet of meter readings into the log, each checked as if it were typed.

Odd readings are kept and asked about; they take part in nothing until somebody answers or a later reading settles them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from itertools import groupby
from pathlib import Path

from watcher.alert.wording_entry import kwh, question
from watcher.align.entry_check import Known
from watcher.align.typed import life_of
from watcher.clock import SystemClock
from watcher.commands.import_sites import say_heading
from watcher.config import load_sites, load_watcher
from watcher.domain.errors import Problem, SetupError
from watcher.domain.event import Event
from watcher.domain.instant import from_ms
from watcher.domain.site import SiteRecord
from watcher.reading_desk import ReadingDesk
from watcher.sheets.opening import open_sheet
from watcher.sheets.reading_events import Taken, take_rows
from watcher.sheets.reading_rows import ReadRow, read_rows
from watcher.sheets.sheet import Remarks
from watcher.sheets.wide import readings_heading
from watcher.sheets.words import READINGS
from watcher.store.choice import Readings, open_reader
from watcher.store.ledger import Ledger
from watcher.wiring import Files

EVER_MS = 2**62


def import_readings(watcher_file: Path, file: Path, preview: bool) -> int:
    """0 where every row was taken, 1 where some were, 2 where none was."""
    config = load_watcher(watcher_file)
    found = load_sites(config.sites_folder)
    if not found.good:
        none = Problem(str(config.sites_folder), "", "", "no site that can be read; import the sites first")
        raise SetupError((none, *found.problems))
    sheet = open_sheet(file)
    heading, note = readings_heading(sheet)
    say_heading(heading, READINGS, sheet.place, note)
    remarks = Remarks(sheet.place)
    now_ms = SystemClock().now_ms()
    rows = read_rows(heading, found.good, now_ms, remarks)
    total = Taken()
    files = Files.of(config)
    if not preview:
        config.data_folder.mkdir(parents=True, exist_ok=True)
    # Nothing on disk is made for a preview.
    with (
        Ledger(files.ledger_url if not preview or files.ledger.exists() else "sqlite://") as ledger,
        _stored(files) as stored,
    ):
        for site, of_site in groupby(rows, key=lambda row: row.site):
            events: list[Event] = ledger.events(site, EVER_MS)[0]
            desk = ReadingDesk(ledger, found.good[site], stored)
            known = partial(_known, desk, events, now_ms)
            taken = take_rows(list(of_site), found.good[site], events, now_ms, known)
            if not preview and taken.drafts:
                ledger.add_events(site, taken.drafts, now_ms)
            _say(taken, found.good[site])
            total.new += taken.new
            total.same += taken.same
            total.exchanges += taken.exchanges
            total.changed += taken.changed
            total.asked += taken.asked
            total.left_out += taken.left_out
    print("".join(f"{line}\n" for line in remarks.told()), end="")
    odd = f"{len(total.asked)} asked about, {len(total.left_out)} left out"
    counts = f"{total.new} new, {total.same} there already, {len(total.changed)} changed, {odd}"
    print(
        f"{len(rows)} readings: {counts}; {total.exchanges} meter exchanges; {len(remarks.bad_rows())} rows not taken"
    )
    if preview:
        print("a preview: nothing was recorded")
    return 0 if not remarks.problems else 1 if rows else 2


@contextmanager
def _stored(files: Files) -> Iterator[Readings | None]:
    """What was measured; None where nothing ever was."""
    if not files.readings.exists():
        yield None
        return
    with open_reader(files.readings, files.server) as stored:
        yield stored


def _known(desk: ReadingDesk, events: list[Event], now_ms: int, meter: str, at_ms: int) -> Known:
    return desk.known(meter, at_ms, events, now_ms)


def _say(taken: Taken, record: SiteRecord) -> None:
    for said, odd in (("asked about", taken.asked), ("left out, for later readings belie it", taken.left_out)):
        for row, check in odd:
            decimals = life_of(record, (), row.meter).facts(row.at_ms)[1].decimals
            likely = f" {kwh(check.offered_wh, decimals)} would fit." if check.offered_wh is not None else ""
            print(f"row {row.row}: {said}: {_named(row, record)}: {row.text}: {question(check, decimals)}{likely}")
    for row, before_wh in taken.changed:
        before = f"{before_wh / 1000:.10g} was typed before, now {row.text}"
        print(f"row {row.row}: changed: {_named(row, record)}: {before}")
    for row in taken.alone:
        why = "no opening reading of a new meter after this final one; taken as a reading"
        print(f"row {row.row}: {_named(row, record)}: {why}")


def _named(row: ReadRow, record: SiteRecord) -> str:
    return f"{row.site} {row.meter} on {from_ms(row.at_ms).astimezone(record.base.zone):%Y-%m-%d}"
