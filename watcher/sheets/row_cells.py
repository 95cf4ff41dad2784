"""The cells of one row at a time, held against what a site file allows. Pure.

Rule: a value that config/site_words.py would refuse is refused here, where its row and column can still be named.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from watcher.config.checked_toml import Key
from watcher.sheets.days import DayColumn, ambiguous
from watcher.sheets.heading import Heading
from watcher.sheets.sheet import Cell, Remarks, Row
from watcher.sheets.values import ENERGY, NO_UNIT, POWER, measured, words

_KILOWATTS_BELOW = 100.0
"""A home's power written without a unit: fewer than this many are kilowatts, more are watts."""


class RowCells:
    """remarks: where what is wrong goes"""

    def __init__(self, heading: Heading, remarks: Remarks) -> None:
        self.heading, self.remarks = heading, remarks
        self.days = {
            name: DayColumn.of((row.number, row.cell(column.at)) for row in heading.rows)
            for name, column in heading.columns.items()
        }

    def cell(self, row: Row, name: str) -> Cell:
        column = self.heading.columns.get(name)
        return None if column is None else row.cell(column.at)

    def wrong(self, row: Row, name: str, allowed: str) -> None:
        self.remarks.wrong(row.number, self.heading.title(name), self.cell(row, name), allowed)

    def take(
        self, row: Row, name: str, into: dict[str, Any], key: str, read: Callable[[Cell], Any], allowed: Key | None,
        needed: bool = False,
    ) -> None:  # fmt: skip
        """Read a cell, hold it against what the site file allows, and put it down."""
        cell = self.cell(row, name)
        if cell is None:
            if needed:
                self.wrong(row, name, f"missing; {allowed.allowed if allowed else ''}")
            return
        try:
            value = read(cell)
        except ValueError as error:
            self.wrong(row, name, str(error))
            return
        try:
            if allowed is not None:
                allowed.take(value)
        except ValueError as error:
            self.wrong(row, name, str(error) or allowed.allowed if allowed else "")
            return
        self.put(row, name, into, key, value)

    def put(self, row: Row, name: str, into: dict[str, Any], key: str, value: Any) -> None:
        """A second row of a site may say the same again, not something else."""
        if key in into and into[key] != value:
            self.wrong(row, name, f"an earlier row of this site says {into[key]}; another site needs another id")
            return
        into[key] = value

    def number(
        self, row: Row, name: str, into: dict[str, Any], key: str, allowed: Key | None, units: dict[str, float],
        scale: float = 1.0, kilowatts: bool = True,
    ) -> None:  # fmt: skip
        column = self.heading.columns.get(name)

        def read(cell: Cell) -> float:
            number, unit = measured(cell, units)
            unit = unit or (column.unit if column else "")
            if unit:
                return round(number * units[unit] * scale, 6)
            if units is POWER and kilowatts and 0 < number < _KILOWATTS_BELOW:
                self.remarks.caution(f"{self.heading.title(name)} has no unit: below 100 it is taken as kW", row.number)
                return round(number * 1000, 6)
            return number * (units["kwh"] * scale if units is ENERGY else 1.0)

        self.take(row, name, into, key, read, allowed)

    def whole(self, row: Row, name: str, into: dict[str, Any], key: str, allowed: Key | None) -> None:
        def read(cell: Cell) -> int:
            number = measured(cell, NO_UNIT).number
            if number != int(number) or not 0 <= number <= 10_000:
                raise ValueError(allowed.allowed if allowed else "must be a whole number")
            return int(number)

        self.take(row, name, into, key, read, allowed)

    def text(self, row: Row, name: str, into: dict[str, Any], key: str, allowed: Key) -> None:
        self.take(row, name, into, key, words, allowed)

    def word(
        self, row: Row, name: str, into: dict[str, Any], key: str, allowed: Key, also: Mapping[str, str],
        case: Callable[[str], str] = str.lower,
    ) -> None:  # fmt: skip
        def read(cell: Cell) -> str:
            text = case(words(cell))
            return also.get(text.replace(" ", "").replace("-", ""), text)

        self.take(row, name, into, key, read, allowed)

    def day(self, row: Row, name: str, into: dict[str, Any], key: str, allowed: Key) -> None:
        cell = self.cell(row, name)
        if cell is None:
            return
        try:
            day = self.days[name].read(cell).day
            allowed.take(day)
        except ValueError as error:
            self.wrong(row, name, str(error) or allowed.allowed)
            return
        if ambiguous(cell):
            self.remarks.caution(f"{self.heading.title(name)} is read day/month/year", row.number)
        self.put(row, name, into, key, day)
