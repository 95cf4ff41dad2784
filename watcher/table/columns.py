"""A table of somebody else's making, by its column map, to readings.

Rule: every value that is not stored is counted and the first hundred are named with row, column, value and what is
allowed. Nothing is repaired. Lines come in, readings go out; opening files is the caller's business.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import NamedTuple

from watcher.config.checked_toml import shown, suggestion
from watcher.domain.errors import Problem, SetupError
from watcher.domain.instant import to_ms
from watcher.domain.quantity import Kind
from watcher.domain.reading import Reading
from watcher.table.column_map import Column, ColumnMap, Stamp, load_columns, written_number
from watcher.table.double_hour import Fixed, Hour, Pass, Stamped, hour_of, instant, passes

__all__ = ["Column", "ColumnMap", "Stamp", "TableRead", "load_columns", "read_table"]

NAMED_AT_MOST = 100
_YEARS = range(1980, 2200)


@dataclass(slots=True)
class TableRead:
    """What a table came to.

    readings: in the file's order. rows: below the heading. kept: rows that gave at least one reading
    refused: the first hundred values that were not taken, refused_count: all of them
    missing: cells that mean no reading. repeated: values already there from an earlier row, the same
    inferred, ambiguous: rows in the hour that happens twice whose pass was inferred, or taken to be the first
    """

    readings: list[Reading] = field(default_factory=list)
    rows: int = 0
    kept: int = 0
    refused: list[Problem] = field(default_factory=list)
    refused_count: int = 0
    missing: int = 0
    repeated: int = 0
    inferred: int = 0
    ambiguous: int = 0


class _NoInstantError(ValueError):
    """A row's time names no instant: what was written, and what is allowed."""


class _Row(NamedTuple):
    """line: where it stands. local: its time while the zone is not applied. values: by place in the map's columns."""

    line: int
    local: datetime | None
    time_ms: int
    values: list[tuple[Column, float]]

    def counters(self) -> dict[str, float]:
        return {
            str(column.channel): value for column, value in self.values if column.channel.quantity.kind is Kind.COUNTER
        }


def read_table(lines: Iterable[str], map: ColumnMap, place: str = "table") -> TableRead:
    """Readings of a table.

    lines: of the file, the heading first. place: the file's name, for messages.
    SetupError where the heading lacks a column that the map names.
    """
    reader = csv.reader(lines, delimiter=map.delimiter, strict=True)
    return _Reader(map, place, _heading(reader, map, place)).read(reader)


def _heading(reader: Iterator[list[str]], map: ColumnMap, place: str) -> dict[str, int]:
    try:
        heading = [cell.strip() for cell in next(reader, [])]
    except csv.Error as error:
        raise SetupError((Problem(f"{place}:1", "", "", f"no heading can be read: {error}"),)) from None
    if heading:
        heading[0] = heading[0].removeprefix("\ufeff")
    wanted = [*map.time.columns]
    for column in map.columns:
        wanted += [column.name, *column.where]
    problems = []
    for name in dict.fromkeys(wanted):
        if heading.count(name) != 1:
            why = "no such column" + suggestion(name, heading) if name not in heading else "stands twice in the heading"
            problems.append(Problem(f"{place}:1", "", shown(name), why))
    if problems:
        raise SetupError(tuple(problems))
    return {name: at for at, name in enumerate(heading)}


class _Reader:
    """One pass over a table. Rows of a double hour are held until the row after them is seen."""

    def __init__(self, map: ColumnMap, place: str, heading: dict[str, int]) -> None:
        self.map, self.place, self.heading = map, place, heading
        self.out = TableRead()
        self.told_by = tuple(dict.fromkeys(name for column in map.columns for name in column.where))
        # A table may carry several devices below each other; each keeps its own order of rows.
        self.last: dict[tuple[str, ...], _Row] = {}
        self.held: dict[tuple[str, ...], list[_Row]] = {}
        self.seen: dict[str, dict[int, float]] = {}
        self.shifts = {id(column): map.shift_ms(column) for column in map.columns}

    def read(self, reader: Iterator[list[str]]) -> TableRead:
        while True:
            try:
                cells = next(reader)
            except StopIteration:
                break
            except csv.Error as error:
                self.out.rows += 1
                self._refuse(_line(reader), "", "", f"the row cannot be taken apart: {error}")
                continue
            if cells:
                self.out.rows += 1
                self._row(_line(reader), [cell.strip() for cell in cells])
        for series in list(self.held):
            self._settle(series, None)
        return self.out

    def _row(self, line: int, cells: list[str]) -> None:
        if len(cells) < len(self.heading):
            self._refuse(line, "", "", f"the row has {len(cells)} of {len(self.heading)} columns")
            return
        try:
            stamp = self._stamp(cells)
        except _NoInstantError as error:
            self._refuse(line, ", ".join(self.map.time.columns), *error.args)
            return
        values = self._values(line, cells)
        if not values:
            return
        series = tuple(cells[self.heading[name]] for name in self.told_by)
        if isinstance(stamp, datetime):
            self.held.setdefault(series, []).append(_Row(line, stamp, 0, values))
            return
        row = _Row(line, None, stamp, values)
        self._settle(series, row)
        self._keep(row, row.time_ms)
        self.last[series] = row

    def _stamp(self, cells: list[str]) -> int | datetime:
        """The row's instant, or its local time where that happens twice."""
        time = self.map.time
        written = " ".join(cells[self.heading[name]] for name in time.columns)
        try:
            at = time.read(written)
        except ValueError:
            allowed = "must be an ISO 8601 time" if time.format == "iso" else f"must be a time like {time.format}"
            raise _NoInstantError(written, allowed) from None
        if at.year not in _YEARS:
            raise _NoInstantError(written, f"the year must be {_YEARS[0]} to {_YEARS[-1]}")
        if at.tzinfo is not None:
            return to_ms(at.astimezone(UTC))
        if time.zone is None:
            raise _NoInstantError(written, "has no offset, and the map names no zone")
        match hour_of(at, time.zone):
            case Hour.ONCE:
                return instant(at, time.zone)
            case Hour.TWICE:
                return at
            case Hour.NEVER:
                allowed = "this hour was left out when the clocks went forward; a clock on winter time has a fixed zone"
                raise _NoInstantError(written, f'{allowed}, such as "+00:00"')

    def _values(self, line: int, cells: list[str]) -> list[tuple[Column, float]]:
        values: list[tuple[Column, float]] = []
        for column in self.map.columns:
            if any(cells[self.heading[name]] != told for name, told in column.where.items()):
                continue
            cell = cells[self.heading[column.name]]
            if cell in self.map.missing:
                self.out.missing += 1
                continue
            written = written_number(cell, self.map.decimal)
            if written is None:
                self._refuse(line, column.name, cell, f'must be a number with the decimal sign "{self.map.decimal}"')
                continue
            value = column.sign * column.unit.inside(written) + 0.0  # no minus zero
            quantity = column.channel.quantity
            if quantity.low <= value <= quantity.high:
                values.append((column, value))
                continue
            unit = f" {quantity.unit}" if quantity.unit else ""
            self._refuse(line, column.name, cell, f"must be {quantity.low:.12g} to {quantity.high:.12g}{unit}")
            if column.spoils_row:
                return []
        return values

    def _settle(self, series: tuple[str, ...], after: _Row | None) -> None:
        """Give the held rows of a series their instants, now that the row after them is known."""
        rows = self.held.pop(series, None)
        if rows is None:
            return
        assert self.map.time.zone is not None  # only a zone makes an hour happen twice
        stamped = [Stamped(row.local, row.counters()) for row in rows if row.local is not None]
        times, sure = passes(_fixed(self.last.get(series)), stamped, _fixed(after), self.map.time.zone)
        self.out.inferred += len(rows) if sure is Pass.INFERRED else 0
        self.out.ambiguous += len(rows) if sure is Pass.AMBIGUOUS else 0
        for row, time_ms in zip(rows, times, strict=True):
            self._keep(row, time_ms)

    def _keep(self, row: _Row, time_ms: int) -> None:
        kept = len(self.out.readings)
        for column, value in row.values:
            name, at_ms = str(column.channel), time_ms + self.shifts[id(column)]
            seen = self.seen.setdefault(name, {})
            if at_ms not in seen:
                seen[at_ms] = value
                self.out.readings.append(Reading(name, at_ms, value))
            elif seen[at_ms] == value:
                self.out.repeated += 1
            else:
                allowed = f"this time was there before with {seen[at_ms]!r}, which is kept"
                self._refuse(row.line, column.name, repr(value), allowed)
        self.out.kept += len(self.out.readings) > kept

    def _refuse(self, line: int, column: str, found: str, allowed: str) -> None:
        self.out.refused_count += 1
        if len(self.out.refused) < NAMED_AT_MOST:
            self.out.refused.append(Problem(f"{self.place}:{line}", column, shown(found) if found else "", allowed))


def _fixed(row: _Row | None) -> Fixed | None:
    return None if row is None else Fixed(row.time_ms, row.counters())


def _line(reader: Iterator[list[str]]) -> int:
    return int(getattr(reader, "line_num", 0))
