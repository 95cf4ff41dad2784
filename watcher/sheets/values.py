"""One cell to one value: numbers, powers, angles, directions, days and times as people write them. Pure.

Rule: forgiving of form, never of meaning. What could be read in two ways is refused with both, or read in the one way
that is said; ValueError carries what is allowed.
"""

from __future__ import annotations

import math
import re
from datetime import date, datetime, time
from typing import NamedTuple

from watcher.sheets.sheet import Cell

_NUMBER = re.compile(r"([+-]?)(\d{1,3}(?:[, ]\d{3})+|\d+)?(\.\d+)?\s*([^\d\s.,+-].*)?")
_SPACES = re.compile(r"[\s\u00a0\u2009\u202f]+")
POWER = {"w": 1.0, "wp": 1.0, "watt": 1.0, "watts": 1.0, "kw": 1e3, "kwp": 1e3, "kva": 1e3, "mw": 1e6, "mwp": 1e6}
ENERGY = {"wh": 1.0, "kwh": 1e3, "mwh": 1e6, "unit": 1e3, "units": 1e3}
ANGLE = {"°": 1.0, "deg": 1.0, "degs": 1.0, "degree": 1.0, "degrees": 1.0, "º": 1.0, "˚": 1.0}
LENGTH = {"m": 1.0, "metre": 1.0, "metres": 1.0, "ft": 0.3048, "feet": 0.3048}
PENCE = {"p": 1.0, "pence": 1.0, "p/kwh": 1.0, "£": 100.0, "£/kwh": 100.0}
NO_UNIT: dict[str, float] = {}

_SLIP = "must be a number, such as 3.68 or 12,345; a comma stands between thousands and never for a decimal point"


class Measured(NamedTuple):
    """A number as written, and its unit in lower case, "" where none stands with it."""

    number: float
    unit: str


def cleaned(text: str) -> str:
    """One line without edges, odd spaces and odd dashes."""
    return _SPACES.sub(" ", text.replace("\u2212", "-").replace("\u2013", "-").replace("\ufeff", "")).strip()


def measured(cell: Cell, units: dict[str, float]) -> Measured:
    """A number with or without one of the units beside it."""
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        if not math.isfinite(cell):
            raise ValueError(_SLIP)
        return Measured(float(cell), "")
    if not isinstance(cell, str):
        raise ValueError(_SLIP)
    text = cleaned(cell)
    if text.startswith("£"):
        text = text[1:].strip() + "£" if "£" in units else text
    match = _NUMBER.fullmatch(text) if text.isprintable() and len(text) <= 60 else None
    if match is None or (not text.isascii() and any(one.isdigit() and not one.isascii() for one in text)):
        raise ValueError(_SLIP)
    sign, whole, part, unit = match.groups()
    if whole is None and part is None:
        raise ValueError(_SLIP)
    unit = (unit or "").lower().rstrip(". ")
    if unit and unit not in units:
        allowed = f"one of the units {', '.join(units)}" if units else "a number without a unit"
        raise ValueError(f"must be {allowed}")
    number = float((whole or "0").replace(",", "").replace(" ", "") + (part or ""))
    if not math.isfinite(number):
        raise ValueError(_SLIP)
    return Measured(-number if sign == "-" else number, unit)


_HALF = {"n": 0, "north": 0, "e": 90, "east": 90, "s": 180, "south": 180, "w": 270, "west": 270}
_POINTS = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")
_ASIDE = re.compile(r"\b(facing|due|true|roof|ish|elevation)\b")
_DIRECTION = "must be degrees clockwise from north (90 east, 180 south, 270 west) or a compass word such as south-west"


def direction(cell: Cell) -> float:
    """Degrees clockwise from north, from degrees or a compass word."""
    if isinstance(cell, str):
        words = re.findall(r"north|south|east|west|[a-z]+", _ASIDE.sub(" ", cleaned(cell).lower()))
        if words and not any(one.isdigit() for one in cell):
            if all(word in _HALF or word in _POINTS for word in words):
                letters = "".join(word if word in _POINTS else word[0] for word in words)
                if letters in _POINTS:
                    return 22.5 * _POINTS.index(letters)
            raise ValueError(_DIRECTION)
    try:
        number = measured(cell, ANGLE).number
    except ValueError:
        raise ValueError(_DIRECTION) from None
    if not 0 <= number <= 360:
        raise ValueError(_DIRECTION)
    return number


def slope(cell: Cell) -> float:
    """Degrees from the horizontal."""
    if isinstance(cell, str) and cleaned(cell).lower() in ("flat", "horizontal"):
        return 0.0
    if isinstance(cell, str) and cleaned(cell).lower() in ("vertical", "upright"):
        return 90.0
    try:
        return measured(cell, ANGLE).number
    except ValueError:
        raise ValueError("must be degrees, 0 flat to 90 upright, such as 35 or 35°") from None


def words(cell: Cell) -> str:
    """A cell as one line of text; a whole number without its decimal point, for a sheet takes a serial for a number."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        if not math.isfinite(cell):
            raise ValueError("must be text")
        return str(int(cell)) if cell == int(cell) and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime | date | time):
        return cell.isoformat()
    text = cleaned(str(cell))
    if not text.isprintable() or len(text) > 200:
        raise ValueError("must be one line of text of at most 200 letters")
    return text
