"""`watcher metering`: what the trade's rules ask of a site's metering, what is there and missing, and what to find out.

From the site's file and what was recorded of its meters; asks no device. Exit code 0 whatever is found.
"""

from __future__ import annotations

import argparse
import csv
import sys
import textwrap
from collections.abc import Iterator

from watcher.align.meter_papers import papers_of
from watcher.clock import SystemClock
from watcher.commands.read import open_desk
from watcher.domain.instant import local_day_of
from watcher.reading_desk import ReadingDesk
from watcher.report.metering import metering_check
from watcher.report.metering_answer import MeteringCheck, MeterPapers, State
from watcher.report.metering_words import COLUMNS, heading, line, row, sentence, source, summary

WIDTH = 100


def run_metering(options: argparse.Namespace) -> int:
    """Print the check, as text or as CSV; 0. SetupError for a site nobody knows."""
    with open_desk(options.config, options.site) as desk:
        check = check_of(desk, SystemClock().now_ms())
    if options.csv:
        table = csv.writer(sys.stdout, lineterminator="\n")
        table.writerow(COLUMNS)
        table.writerows(row(check, found) for found in check.answers)
    else:
        print("\n".join(text_of(check)))
    return 0


def check_of(desk: ReadingDesk, now_ms: int) -> MeteringCheck:
    """The check of a site as it is at an instant, with what was recorded of its meters."""
    site = desk.record.at(now_ms)
    return metering_check(site, local_day_of(now_ms, site.zone), papers_told(desk, now_ms))


def papers_told(desk: ReadingDesk, now_ms: int) -> dict[str, MeterPapers]:
    """The papers of each meter there is, with what was recorded of it since its file was written."""
    events, site = desk.events(), desk.record.at(now_ms)
    found: dict[str, MeterPapers] = {}
    for meter in site.meters:
        papers = papers_of(meter, events)
        verified = None if papers.verified_ms is None else local_day_of(papers.verified_ms, site.zone)
        found[meter.id] = MeterPapers(desk.life(meter.id).serial_at(now_ms), papers.certified_until, verified)
    return found


def text_of(check: MeteringCheck) -> Iterator[str]:
    """The check as lines of text: one paragraph an answer, then the questions, numbered."""
    yield heading(check)
    yield summary(check)
    yield ""
    for found in check.answers:
        if found.state is not State.QUESTION:
            yield _wrapped(line(found), "    ")
    questions = check.questions
    if questions:
        yield ""
        yield "1 question:" if len(questions) == 1 else f"{len(questions)} questions:"
        for number, found in enumerate(questions, start=1):
            yield _wrapped(f"{number:>2}. {sentence(found)} ({source(found)})", "    ")
    yield ""
    yield "What is paid is what the register says: nothing here changes a reading or stands in for one."


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False)
