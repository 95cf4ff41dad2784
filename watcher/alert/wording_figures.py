"""Figures as people say them: times of day, energies, parts of a whole, small numbers.

Rule: never more digits than are known. Names of days and months are our own, so that no locale of the machine
changes a letter. Local time exists here and nowhere else in the core.
"""

from __future__ import annotations

import math
import string
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from watcher.domain.instant import MINUTE_MS, from_ms

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_NUMBERS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip
_PARTS = (
    (1 / 4, "about a quarter"),
    (1 / 3, "about one third"),
    (1 / 2, "about half"),
    (2 / 3, "about two thirds"),
    (3 / 4, "about three quarters"),
)
_NEAR_A_PART = 0.03
_WIDE_MS = 30 * MINUTE_MS
"""An onset known to within half an hour is told as one time."""


def _clock(local: datetime) -> str:
    twin = local.replace(fold=1 - local.fold)
    # In the hour that comes twice in October the clock alone does not say which one is meant.
    return f"{local:%H:%M} {local.tzname()}" if twin.utcoffset() != local.utcoffset() else f"{local:%H:%M}"


def _day(local: datetime, this_year: int) -> str:
    year = f" {local.year}" if local.year != this_year else ""
    return f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]}{year}"


def when(ms: int, zone: ZoneInfo, now_ms: int) -> str:
    """ "Tuesday 9 June, 11:20" in the site's time; with the year where it is not that of now_ms."""
    local = from_ms(ms).astimezone(zone)
    return f"{_day(local, from_ms(now_ms).astimezone(zone).year)}, {_clock(local)}"


def begin(onset_ms: int, low_ms: int, high_ms: int, zone: ZoneInfo, now_ms: int) -> str:
    """ "Tuesday 9 June, 11:20", or "some time between ... and ..." where the onset is not known that well."""
    if high_ms - low_ms <= _WIDE_MS:
        return when(onset_ms, zone, now_ms)
    low, high = (from_ms(ms).astimezone(zone) for ms in (low_ms, high_ms))
    if low.date() == high.date():
        day = _day(low, from_ms(now_ms).astimezone(zone).year)
        return f"some time between {_clock(low)} and {_clock(high)} on {day}"
    return f"some time between {when(low_ms, zone, now_ms)} and {when(high_ms, zone, now_ms)}"


def _step(kwh: float) -> float:
    """The rounding an estimate of this size deserves. [kWh]"""
    for top, step in ((10, 0.1), (100, 1), (1000, 10)):
        if kwh < top:
            return step
    return 100


def _rounded(kwh: float, step: float) -> str:
    return f"{kwh:,.1f}" if step < 1 else f"{round(kwh / step) * step:,.0f}"


def energy(kwh: float) -> str:
    """ "about 4.3 kWh", "about 37 kWh", "about 210 kWh", "less than 0.1 kWh"."""
    return "less than 0.1 kWh" if kwh < 0.05 else f"about {_rounded(kwh, _step(kwh))} kWh"


def energy_range(low_kwh: float, kwh: float, high_kwh: float) -> str:
    """ "between 3.9 and 5.1 kWh", rounded like the estimate between; "" where the ends are the same to a reader."""
    step = _step(kwh)
    low, high = _rounded(low_kwh, step), _rounded(high_kwh, step)
    return f"between {low} and {high} kWh" if low != high else ""


def money(low_pence: float, high_pence: float) -> str:
    """ "between £1.10 and £1.50", rounded outwards to 10p below £10 and to £1 above; "less than 10p"."""
    if high_pence < 10:
        return "less than 10p"
    step = 10 if high_pence < 1000 else 100
    # The hair keeps 110.00000000000001 from becoming 120.
    low, high = math.floor(low_pence / step + 1e-9), math.ceil(high_pence / step - 1e-9)
    high = max(high, low + 1)
    places = 2 if step < 100 else 0
    return f"between £{low * step / 100:,.{places}f} and £{high * step / 100:,.{places}f}"


def part(share: float) -> str:
    """ "about half", "about two thirds", or "about 72%" where no plain fraction is near; "almost nothing"."""
    if share < _NEAR_A_PART:
        return "almost nothing"
    nearest, name = min(_PARTS, key=lambda entry: abs(entry[0] - share))
    return name if abs(nearest - share) <= _NEAR_A_PART else f"about {share:.0%}"


def count(number: float) -> str:
    """Small numbers as words: "two"."""
    whole = round(number)
    return _NUMBERS[whole] if 0 <= whole < len(_NUMBERS) else str(whole)


def days(number: float) -> str:
    """ "day", "two days", "30 days", to follow "over the last"."""
    whole = max(1, round(number))
    return "day" if whole == 1 else f"{count(whole)} days"


class Teller(string.Formatter):
    """Fills sentences such as "It stands at {index_kwh:dial} since {last_moved_ms:when}".

    Besides Python's own format specifications it knows when, kwh, dial, part, count and days.
    dial_decimals: decimals on the display of the meter in question
    """

    def __init__(self, zone: ZoneInfo, now_ms: int, dial_decimals: int) -> None:
        self._say = {
            "when": lambda ms: when(round(ms), zone, now_ms),
            "kwh": energy,
            "dial": lambda kwh: f"{kwh:.{dial_decimals}f}",
            "part": part,
            "count": count,
            "days": days,
        }

    def format_field(self, value: Any, format_spec: str) -> str:
        say = self._say.get(format_spec)
        return say(value) if say is not None else format(value, format_spec)

    def sentences(self, templates: tuple[str, ...], figures: Mapping[str, str | float]) -> tuple[str, ...]:
        """The sentences whose figures are all known. One whose figure is missing is left out, not guessed."""
        told = []
        for template in templates:
            wanted = {name for _, name, _, _ in self.parse(template) if name is not None}
            if wanted <= figures.keys():
                told.append(self.vformat(template, (), figures))
        return tuple(told)
