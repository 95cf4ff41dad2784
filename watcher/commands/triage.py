"""`watcher triage`: which sites are worth a visit, from nothing but what people read from their meters.

Ranked by what is lost in a year and how sure that is; on the terminal, as CSV, and as a page to print.
"""

from __future__ import annotations

import argparse
import csv
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path

from watcher.alert.wording_triage import (
    BASES,
    SURENESS,
    UNTOLD,
    check_first,
    doubtful,
    likely,
)
from watcher.commands.triage_words import named, summary
from watcher.config import WatcherConfig, load_sites, load_watcher
from watcher.domain.errors import Problem, SetupError
from watcher.domain.instant import from_ms
from watcher.fleet import books, judge_books
from watcher.report.triage import Group, TriageRow, triage
from watcher.store.ledger import Ledger
from watcher.store.sunshine import SunshineStore
from watcher.wiring import Files

WIDTH = 118
COLUMNS = (
    "rank", "site", "name", "meter", "finding", "how sure", "share lost %", "loss kWh a year", "loss kWh a year, low",
    "loss kWh a year, high", "missed payments £ a year, low", "missed payments £ a year, high", "since",
    "since, earliest", "since, latest", "likely", "check first", "made of expected %", "held against", "intervals",
    "doubtful readings",
)  # fmt: skip


def run_triage(options: argparse.Namespace) -> int:
    """List the fleet, and write what is asked for; 0 whatever is found."""
    rows, problems = ranked(load_watcher(options.config))
    print("\n".join(told(rows, options.top)))
    for problem in problems:
        print(f"not read: {problem}")
    if options.csv is not None:
        write_csv(rows, options.csv)
        print(f"written: {options.csv}")
    if options.print is not None:
        write_page(rows, options.print, options.top)
        print(f"to print: {options.print}")
    return 0


def ranked(config: WatcherConfig) -> tuple[list[TriageRow], Sequence[Problem]]:
    """The fleet in order, and what is wrong with site files that were left out."""
    found = load_sites(config.sites_folder)
    if not found.good:
        none = Problem(str(config.sites_folder), "", "", "no site that can be read; import the sites first")
        raise SetupError((none, *found.problems))
    files = Files.of(config)
    with Ledger(files.ledger_url if files.ledger.exists() else "sqlite://") as ledger:
        own = books(found.good.values(), ledger)
    judged = judge_books(own, SunshineStore(files.sunshine))
    return triage([(book.record, one) for book, one in judged]), found.problems


def told(rows: Sequence[TriageRow], top: int) -> Iterator[str]:
    """The list for the terminal: the first so many in full, the others counted."""
    loses = [row for row in rows if row.group is Group.LOSES]
    questions = [row for row in rows if row.group is Group.QUESTION]
    untold = [row for row in rows if row.group is Group.UNTOLD]
    well = len(rows) - len(loses) - len(questions) - len(untold)
    yield f"{len(rows)} meters: {len(loses)} lose output, {len(questions)} raise a question, {well} are well"
    if untold:
        yield f"of {len(untold)} not enough is known to tell"
    for row in [*loses, *questions][:top]:
        yield ""
        yield from _in_full(row)
    if len(loses) + len(questions) > top:
        yield f"\nand {len(loses) + len(questions) - top} more; --top shows them"
    if untold:
        yield ""
    for row in untold:
        if row.judged.untold is not None:
            yield f"{row.record.id} {row.judged.meter}: {UNTOLD[row.judged.untold]}"
    odd = [(row, one) for row in rows for one in row.judged.doubtful]
    if odd:
        yield "\nreadings that do not go with the others, the newest first:"
    odd.sort(key=lambda pair: -pair[1].reading.at_ms)
    for row, one in odd[:top]:
        yield f"  {row.record.id} {row.judged.meter}: {doubtful(one)}"
    if len(odd) > top:
        yield f"  and {len(odd) - top} more; --csv has them all"


def _in_full(row: TriageRow) -> Iterator[str]:
    finding = row.finding
    if finding is None:
        return
    yield f"{row.rank:3d}  {named(row.record)}: {summary(row)}"
    for text in (likely(finding), f"First: {check_first(finding)}"):
        yield from textwrap.wrap(text, WIDTH, initial_indent="     ", subsequent_indent="     ")


def write_csv(rows: Sequence[TriageRow], file: Path) -> None:
    lines = [COLUMNS, *(_line(row) for row in rows)]
    try:
        with file.open("w", encoding="utf-8-sig", newline="") as out:
            csv.writer(out).writerows(lines)
    except OSError as error:
        raise SetupError((Problem(str(file), "--csv", "", f"cannot be written: {error}"),)) from None


def _line(row: TriageRow) -> tuple[str, ...]:
    judged, finding = row.judged, row.finding
    odd = "; ".join(doubtful(one) for one in judged.doubtful)
    level = "" if judged.level is None else f"{100.0 * judged.level:.0f}"
    ending = level, BASES[judged.basis], str(len(judged.held)), odd
    head = str(row.rank), row.record.id, row.record.base.name, judged.meter
    if finding is None:
        why = UNTOLD[judged.untold] if judged.untold is not None else ""
        return *head, "well" if judged.untold is None else "not told", *[""] * 10, why, "", *ending
    kwh = (finding.loss_year_wh, finding.loss_low_wh, finding.loss_high_wh)
    pence = (row.pence_low, row.pence_high)
    return (
        *head, str(finding.finding), SURENESS[finding.sureness], f"{100.0 * finding.share:.0f}",
        *(f"{wh / 1000.0:.0f}" for wh in kwh), *("" if one is None else f"{one / 100.0:.2f}" for one in pence),
        *(from_ms(ms).date().isoformat() for ms in (finding.onset_ms, finding.onset_low_ms, finding.onset_high_ms)),
        likely(finding), check_first(finding), *ending,
    )  # fmt: skip


def write_page(rows: Sequence[TriageRow], file: Path, top: int) -> None:
    from watcher.commands.triage_page import page  # the plotting library is loaded where there is something to draw

    text = page(rows, top)
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SetupError((Problem(str(file), "--print", "", f"cannot be written: {error}"),)) from None
