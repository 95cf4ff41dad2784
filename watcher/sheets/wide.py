"""A sheet of readings with a column a date, turned into one with a row a reading. Pure.

Rule: only where no heading of the usual form is there and one of dates is. Each reading keeps the number of the row it
stood in, so that what is wrong is still found. Empty cells are no readings.
"""

from __future__ import annotations

from dataclasses import replace

from watcher.domain.errors import SetupError
from watcher.sheets.days import DayColumn
from watcher.sheets.heading import ABOVE, Heading, find_heading
from watcher.sheets.sheet import Cell, Row, Sheet
from watcher.sheets.words import READINGS

_FEWEST_DATES = 2
_NOTE = "a column for each of {count} dates"


def readings_heading(sheet: Sheet) -> tuple[Heading, str]:
    """The heading of a sheet of readings in either form, and what is to be said of it. SetupError where it has none."""
    try:
        return find_heading(sheet, READINGS, "readings"), sheet.note
    except SetupError:
        wide = unrolled(sheet)
        if wide is sheet:
            raise
        return find_heading(wide, READINGS, "readings"), wide.note


def unrolled(sheet: Sheet) -> Sheet:
    """The sheet with the columns "Date" and "Reading" in place of a column a date; itself where it has none such."""
    for row in [row for row in sheet.rows if not row.blank()][:ABOVE]:
        dated = [at for at in range(len(row.cells)) if _is_date(row.cell(at))]
        others = [at for at in range(len(row.cells)) if row.cell(at) is not None and at not in dated]
        if len(dated) >= _FEWEST_DATES and others and all(isinstance(row.cell(at), str) for at in others):
            return _unrolled(sheet, row, dated, others)
    return sheet


def _unrolled(sheet: Sheet, heading: Row, dated: list[int], others: list[int]) -> Sheet:
    rows = [Row(heading.number, (*(heading.cell(at) for at in others), "Date", "Reading"))]
    for row in sheet.rows:
        if row.number > heading.number and not row.blank():
            own = tuple(row.cell(at) for at in others)
            rows += [
                Row(row.number, (*own, heading.cell(at), row.cell(at))) for at in dated if row.cell(at) is not None
            ]
    note = _NOTE.format(count=len(dated))
    return replace(sheet, rows=tuple(rows), note="; ".join(filter(None, (sheet.note, note))))


def _is_date(cell: Cell) -> bool:
    """Whether a title is a date, day first or not: which it is, the column of them tells."""
    if cell is None or isinstance(cell, bool | int | float):
        return False
    try:
        DayColumn().read(cell)
    except ValueError as error:
        return "is no month" in str(error)
    return True
