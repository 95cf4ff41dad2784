"""Days and times of day as people write them: ISO, or day before month as in Britain. Pure.

Rule: 03/04/2024 is the third of April. Where other rows of the column show that its months come first, such a date is
refused: nobody can say which it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import NamedTuple

from watcher.sheets.sheet import Cell
from watcher.sheets.values import cleaned

_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
_FIGURES = re.compile(r"(\d{1,2})[/.-](\d{1,2})[/.-](\d{4}|\d{2})")
_NAMED = re.compile(r"(?:[a-z]+,? )?(\d{1,2})(?:st|nd|rd|th)?[ -]([a-z]{3,9})\.?,?[ -](\d{4}|\d{2})")
_CLOCK = re.compile(r"(\d{1,2})[:.](\d{2})(?:[:.](\d{2})(?:\.0+)?)? ?(am|pm)?|(\d{1,2}) ?(am|pm)")
_MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
YEARS = range(1980, 2200)

_DAY = "must be a date, such as 2024-03-31 or 31/3/2024"
_NO_MONTH = "dates are read day/month/year, and {month} is no month; write it as year-month-day, such as 2024-03-31"
_EITHER = "may be the {one} or the {other}: row {row} shows that months come first here; write it as 2024-03-31"


class Moment(NamedTuple):
    """A day, and the time of day where one was given with it."""

    day: date
    clock: time | None


@dataclass(frozen=True, slots=True)
class DayColumn:
    """What a column of dates tells of its own order. month_first: a row that can only be month/day/year, 0 for none"""

    month_first: int = 0

    @classmethod
    def of(cls, cells: Iterable[tuple[int, Cell]]) -> DayColumn:
        """cells: row numbers and cells of the column."""
        for row, cell in cells:
            match = _FIGURES.match(cleaned(cell)) if isinstance(cell, str) else None
            if match and int(match[1]) <= 12 < int(match[2]) <= 31:
                return cls(row)
        return cls()

    def read(self, cell: Cell) -> Moment:
        """ValueError with what is allowed."""
        if isinstance(cell, datetime):
            if cell.tzinfo is not None:
                raise ValueError(_DAY)
            # Spreadsheets have no dates without a time: midnight is what a bare date is.
            clock = cell.time().replace(microsecond=0)
            return Moment(_in_range(cell.date()), None if clock == time() else clock)
        if isinstance(cell, date):
            return Moment(_in_range(cell), None)
        if not isinstance(cell, str):
            raise ValueError(_DAY + "; a bare number of days is not read, give the column the format of a date")
        text = cleaned(cell).lower()
        for pattern in (_ISO, _FIGURES, _NAMED):
            if match := pattern.match(text):
                rest = text[match.end() :].strip(" t,")
                return Moment(_in_range(self._day(pattern, match)), clock_of(rest) if rest else None)
        raise ValueError(_DAY)

    def _day(self, pattern: re.Pattern[str], match: re.Match[str]) -> date:
        if pattern is _ISO:
            return _date(int(match[1]), int(match[2]), int(match[3]))
        year = int(match[3]) + (0 if len(match[3]) == 4 else 2000 if int(match[3]) < 80 else 1900)
        if pattern is _NAMED:
            months = [at for at, name in enumerate(_MONTHS, 1) if name.startswith(match[2])]
            if len(months) != 1:
                raise ValueError(_DAY)
            return _date(year, months[0], int(match[1]))
        day, month = int(match[1]), int(match[2])
        if day <= 12 < month <= 31:
            raise ValueError(_NO_MONTH.format(month=month))
        if self.month_first and day <= 12 and day != month:
            one, other = _date(year, month, day), _date(year, day, month)
            raise ValueError(_EITHER.format(one=_said(one), other=_said(other), row=self.month_first))
        return _date(year, month, day)


def ambiguous(cell: Cell) -> bool:
    """Whether a date was read day first and could be month first as well."""
    match = _FIGURES.match(cleaned(cell)) if isinstance(cell, str) else None
    return match is not None and int(match[1]) <= 12 and int(match[2]) <= 12 and int(match[1]) != int(match[2])


def clock_of(cell: Cell) -> time:
    """A time of day. ValueError with what is allowed."""
    allowed = "must be a time of day, such as 14:30 or 2.30pm"
    if isinstance(cell, datetime):
        return cell.time().replace(microsecond=0)
    if isinstance(cell, time):
        return cell.replace(microsecond=0, tzinfo=None)
    match = _CLOCK.fullmatch(cleaned(cell).lower()) if isinstance(cell, str) else None
    if match is None:
        raise ValueError(allowed)
    hour, minute, second = int(match[1] or match[5]), int(match[2] or 0), int(match[3] or 0)
    half = match[4] or match[6]
    if half and not 1 <= hour <= 12:
        raise ValueError(allowed)
    if half:
        hour = hour % 12 + (12 if half == "pm" else 0)
    try:
        return time(hour, minute, second)
    except ValueError:
        raise ValueError(allowed) from None


def _date(year: int, month: int, day: int) -> date:
    try:
        return date(year, month, day)
    except ValueError:
        raise ValueError(f"there is no such day; {_DAY}") from None


def _in_range(day: date) -> date:
    if day.year not in YEARS:
        raise ValueError(f"the year must be {YEARS[0]} to {YEARS[-1]}")
    return day


def _said(day: date) -> str:
    return f"{day.day} {_MONTHS[day.month - 1].capitalize()}"
