"""The list of a fleet as a page to print: one file, nothing fetched from anywhere, legible without colour.

Rule: fifteen sites go on a sheet of A4. Every text from outside is escaped, and what a picture shows stands in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from watcher.alert.wording_triage import BASES, UNTOLD, check_first, doubtful, likely
from watcher.commands.triage_picture import picture
from watcher.commands.triage_words import named, summary
from watcher.domain.instant import from_ms
from watcher.report.triage import Group, TriageRow

STYLE = """
@page { size: A4; margin: 8mm }
body { font: 7.5pt/1.2 sans-serif; color: #111; margin: 0 auto; max-width: 194mm }
h1 { font-size: 12pt; margin: 0 } h2 { font-size: 8.5pt; margin: 2mm 0 0.5mm; border-top: 1px solid #888 }
p { margin: 0 } .key { color: #444; margin: 0.5mm 0 1.5mm }
.sites { display: grid; grid-template-columns: repeat(3, 1fr); gap: 1.5mm 4mm }
.site { break-inside: avoid; border-top: 1px solid #888; padding-top: 0.5mm }
.site svg { width: 100%; height: auto; display: block }
ul { margin: 0; padding-left: 4mm; columns: 2 }
"""


def page(rows: Sequence[TriageRow], top: int) -> str:
    """A whole HTML document. top: so many sites get a picture"""
    shown = [row for row in rows if row.finding is not None][:top]
    last = max((row.judged.held[-1].end_ms for row in rows if row.judged.held), default=None)
    until = "" if last is None else f", readings up to {from_ms(last).date().isoformat()}"
    body = [
        f"<h1>{len(rows)} meters by what is lost in a year{until}</h1>",
        '<p class="key">Pictures: what was made for the sun there was, between one reading and the next, in per cent '
        "of the site's usual. Grey band: where nine in ten healthy values lie. Thick stroke: outside it. Hatched: when "
        "it began. Cross: a reading that does not go with the others.</p>",
        '<div class="sites">',
        *(_site(row) for row in shown),
        "</div>",
        *_lists(rows, shown, top),
    ]
    return (
        '<!doctype html>\n<html lang="en-GB"><head><meta charset="utf-8"><title>Sites by loss</title>'
        f"<style>{STYLE}</style></head><body>\n" + "\n".join(body) + "\n</body></html>\n"
    )


def _site(row: TriageRow) -> str:
    finding = row.finding
    if finding is None:
        return ""
    drawn = picture(f"p{row.rank}", row.judged, finding) if row.judged.held else ""
    return (
        f'<div class="site"><p><b>{row.rank}. {escape(named(row.record))}</b>: {escape(summary(row))}.</p>'
        f"{drawn}<p>{escape(likely(finding))} <b>First:</b> "
        f"{escape(check_first(finding))} <small>Held against {BASES[row.judged.basis]}.</small></p></div>"
    )


def _lists(rows: Sequence[TriageRow], shown: Sequence[TriageRow], top: int) -> Iterator[str]:
    rest = [row for row in rows if row.finding is not None and row not in shown]
    if rest:
        yield "<h2>Further down</h2>"
        yield _items(f"{row.rank}. {named(row.record)}: {summary(row)}" for row in rest)
    untold = [row for row in rows if row.group is Group.UNTOLD]
    if untold:
        yield "<h2>Not told</h2>"
        yield _items(f"{row.record.id}: {UNTOLD[row.judged.untold]}" for row in untold if row.judged.untold is not None)
    odd = [(row, one) for row in rows for one in row.judged.doubtful]
    if odd:
        yield "<h2>Readings that do not go with the others, the newest first</h2>"
        odd.sort(key=lambda pair: -pair[1].reading.at_ms)
        more = [f"and {len(odd) - top} more, which the table has"] if len(odd) > top else []
        yield _items([*(f"{row.record.id}, {doubtful(one)}" for row, one in odd[:top]), *more])
    well = sum(row.group is Group.WELL for row in rows)
    yield f"<h2>Well: {well}</h2>"


def _items(texts: Iterator[str] | Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>"
