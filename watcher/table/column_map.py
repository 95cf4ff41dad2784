"""The column map: how a table of somebody else's making is to be read.

Rule: the map says everything (zone, label, unit, sign); nothing about a table is guessed from the table.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from watcher.config.checked_toml import (
    Key,
    Keys,
    Page,
    list_of,
    needed,
    number,
    one_of,
    shown,
    table_of,
    text,
    whole,
    yes_or_no,
)
from watcher.domain.quantity import Channel, channel
from watcher.table.units import Unit, units_of


class Stamp(StrEnum):
    """What the time of a row says about a value in it."""

    START = "start"
    MIDDLE = "middle"
    END = "end"
    INSTANT = "instant"


@dataclass(frozen=True, slots=True)
class TimeColumns:
    """columns: joined by a space before reading. format: strptime's, or "iso". year: where the columns have none.

    zone: of times that carry no offset themselves; None where every one must. period_s: what a mean is the mean of
    """

    columns: tuple[str, ...]
    format: str = "iso"
    zone: tzinfo | None = None
    label: Stamp = Stamp.INSTANT
    period_s: float = 0.0
    year: int | None = None

    def read(self, written: str) -> datetime:
        """The time in a row, without a zone where it carries no offset. ValueError where it is none."""
        if self.format == "iso":
            return datetime.fromisoformat(written)
        if self.year is not None:
            return datetime.strptime(f"{self.year} {written}", f"%Y {self.format}")  # noqa: DTZ007
        return datetime.strptime(written, self.format)  # noqa: DTZ007


@dataclass(frozen=True, slots=True)
class Column:
    """One column that is kept.

    where: cells of other columns the row must have for this value to be meant
    spoils_row: a value outside the quantity's range means that the whole row is not to be trusted
    """

    name: str
    channel: Channel
    unit: Unit
    label: Stamp
    sign: int = 1
    where: Mapping[str, str] = field(default_factory=dict)
    spoils_row: bool = False


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """missing: cells that mean no reading, compared after spaces are taken off. encoding: for who opens the file."""

    place: str
    time: TimeColumns
    columns: tuple[Column, ...]
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8-sig"
    missing: tuple[str, ...] = ("", "NA", "NaN", "nan", "null", "-")

    def shift_ms(self, column: Column) -> int:
        """From the row's time to the time a value has inside: the end of its period, or the moment itself."""
        share = {Stamp.START: 1.0, Stamp.MIDDLE: 0.5}.get(column.label, 0.0)
        return round(self.time.period_s * share * 1000)


def _zone() -> Key:
    def take(value: Any) -> tzinfo:
        if value == "UTC":
            return UTC
        if isinstance(value, str) and (offset := re.fullmatch(r"([+-])(\d\d):([0-5]\d)", value)):
            away = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
            return timezone(-away if offset[1] == "-" else away)
        try:
            return ZoneInfo(value)
        except (OSError, KeyError, ValueError, TypeError):
            raise ValueError from None

    return Key(take, 'must be "UTC", an offset such as "+01:00", or a time zone such as "Europe/London"')


_A_TIME = datetime(2024, 5, 31, 13, 45, 10, tzinfo=UTC)


def _format() -> Key:
    def take(value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError
        if value != "iso":
            # Read back once what it writes: an unknown or doubled sign is found here and not on every row.
            format = value if _has_year(value) else f"%Y {value}"
            try:
                datetime.strptime(_A_TIME.strftime(format), format)  # noqa: DTZ007
            except re.error:
                raise ValueError from None
        return value

    return Key(take, 'must be "iso" or made of strptime signs, each once, such as "%d/%m/%Y %H:%M"')


def _has_year(format: str) -> bool:
    return "%Y" in format or "%y" in format


def _encoding() -> Key:
    def take(value: Any) -> str:
        try:
            return codecs.lookup(value).name
        except (LookupError, TypeError, ValueError):
            raise ValueError from None

    return Key(take, 'must be the name of an encoding, such as "utf-8" or "latin-1"')


def _channel() -> Key:
    def take(value: Any) -> Channel:
        if not isinstance(value, str):
            raise ValueError
        return channel(value)

    return Key(take, "must be <device>[.<part>].<quantity> of a known quantity, such as inverter-1.ac_power")


def _names() -> Key:
    def take(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or not value or not all(isinstance(one, str) for one in value):
            raise ValueError
        return tuple(value)

    return Key(take, 'must be a list of texts, such as ["month", "day"]')


def _cells() -> Key:
    def take(value: Any) -> dict[str, str]:
        if not isinstance(value, dict) or not all(isinstance(one, str) for one in value.values()):
            raise ValueError
        return dict(value)

    return Key(take, 'must be columns and the text in them, such as { meter = "27" }')


def _missing() -> Key:
    def take(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            raise ValueError
        return ("", *(one.strip() for one in value))

    return Key(take, 'must be a list of texts in quotes, such as ["NA", "-9999"]')


def _sign() -> Key:
    def take(value: Any) -> int:
        if isinstance(value, bool) or value not in (1, -1):
            raise ValueError
        return int(value)

    return Key(take, "must be 1 or -1")


_TIME: Keys = {
    "column": text(),
    "columns": _names(),
    "format": _format(),
    "zone": _zone(),
    "label": needed(one_of(Stamp)),
    "period_s": number(0.001, 366 * 86_400, "seconds"),
    "year": whole(1980, 2199),
}

_COLUMN: Keys = {
    "name": needed(text(allowed="must be the column's heading", name="a heading")),
    "channel": needed(_channel()),
    "unit": needed(text(allowed="must be the unit the table is written in", name="a unit")),
    "sign": _sign(),
    "label": one_of(Stamp),
    "where": _cells(),
    "spoils_row": yes_or_no(),
}

COLUMN_MAP_FILE: Keys = {
    "delimiter": text(r"[^\w\s\"\x00-\x08]|\t| ", 'must be one character, such as ",", ";" or "\\t"'),
    "decimal": one_of((".", ",")),
    "encoding": _encoding(),
    "missing": _missing(),
    "time": needed(table_of(_TIME)),
    "column": needed(list_of(_COLUMN)),
}


def load_columns(content: str, place: str) -> ColumnMap:
    """A column map from the text of its file. SetupError with every problem there is."""
    page, tables = Page.opened(content, place)
    taken = page.table(tables, COLUMN_MAP_FILE)
    time = taken.get("time", {})
    columns: list[dict[str, Any]] = taken.get("column", [])
    _check_time(page, time, columns)
    _check_columns(page, columns)
    if taken.get("delimiter", ",") == taken.get("decimal", "."):
        page.wrong("decimal", "is the delimiter too, so numbers would fall apart", shown(taken.get("decimal", ".")))
    page.refuse()
    return ColumnMap(
        place,
        _time(time),
        tuple(_column(column, time["label"]) for column in columns),
        **{key: value for key, value in taken.items() if key not in ("time", "column")},
    )


def _check_time(page: Page, time: Mapping[str, Any], columns: list[dict[str, Any]]) -> None:
    if ("column" in time) == ("columns" in time):
        page.wrong("time", "needs column or columns, one of the two")
    format = time.get("format", "iso")
    if "zone" not in time and format != "iso" and "%z" not in format:
        page.wrong("time.zone", "missing; a time without an offset needs to be told its zone")
    reads_year = format == "iso" or _has_year(format)
    if "year" in time and reads_year:
        page.wrong("time.year", "the format reads a year itself; leave one of them out", str(time["year"]))
    if "year" not in time and not reads_year:
        page.wrong("time.year", "missing; the format reads no year")
    labels = {time.get("label"), *(column.get("label") for column in columns)} - {None}
    if labels and (labels != {Stamp.INSTANT}) != ("period_s" in time):
        page.wrong("time.period_s", 'needed for "start", "middle" and "end", and for nothing else')


def _check_columns(page: Page, columns: list[dict[str, Any]]) -> None:
    """Units fit, and no channel is fed twice from the same rows."""
    seen: set[tuple[str, tuple[tuple[str, str], ...]]] = set()
    for at, column in enumerate(columns):
        if "channel" not in column:
            continue
        units = units_of(column["channel"].quantity)
        if "unit" in column and column["unit"] not in units:
            allowed = f"{column['channel'].quantity.name} is written in " + ", ".join(f'"{unit}"' for unit in units)
            page.wrong(f"column[{at}].unit", allowed, shown(column["unit"]))
        meant = (str(column["channel"]), tuple(sorted(column.get("where", {}).items())))
        if meant in seen:
            page.wrong(f"column[{at}].channel", "already read from another column of the same rows", shown(meant[0]))
        seen.add(meant)


def _time(time: Mapping[str, Any]) -> TimeColumns:
    columns = time["columns"] if "columns" in time else (time["column"],)
    rest = {key: value for key, value in time.items() if key not in ("column", "columns")}
    return TimeColumns(columns, **rest)


def _column(column: Mapping[str, Any], label: Stamp) -> Column:
    given = {"label": label, **column}
    return Column(**{**given, "unit": units_of(column["channel"].quantity)[column["unit"]]})


NUMBER = re.compile(r"[+-]?(?:[0-9]{1,30}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,3})?")
"""A written number with a decimal point: no thousands separators, no words such as "inf"."""


def written_number(cell: str, decimal: str) -> Decimal | None:
    """The number in a cell, None where it is none."""
    if decimal == ",":
        if "." in cell:
            return None
        cell = cell.replace(",", ".", 1)
    return Decimal(cell) if NUMBER.fullmatch(cell) else None
