"""A payload to the values a topic map finds in it. Pure: bytes in, numbers out, and what was refused and why.

Rule: a good value survives a bad neighbour, and what is not plainly a number is no value: NaN, infinity, true, null,
text, a comma where a point was declared. Nothing is guessed. A document that is cut off is refused whole.
Whatever arrives, nothing is raised.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from watcher.collect.mqtt.json_path import Absent, at_path
from watcher.collect.mqtt.stamps import Stamp, stamp_of
from watcher.collect.mqtt.topic_map import TopicRule, ValueField
from watcher.table.column_map import written_number
from watcher.table.units import Unit

LARGEST = 65_536
"""Bytes. A device's message is a few hundred; more is a mistake, or somebody's intent."""


class Refusal(StrEnum):
    """Why a message, or one value in it, is not taken. The first four cost the whole message."""

    TOO_LARGE = "too-large"
    NOT_TEXT = "not-text"  # no UTF-8
    NOT_JSON = "not-json"  # cut off, or something else
    BAD_TIME = "bad-time"  # the map says where its time stands, and there is none there
    ABSENT = "absent"  # no such place in the document
    NO_VALUE = "no-value"  # null, NaN, infinity, empty
    NOT_A_NUMBER = "not-a-number"
    AMBIGUOUS = "ambiguous"  # digits, signs or units that can be read in two ways, or the same key twice
    OUT_OF_RANGE = "out-of-range"  # no such quantity can be measured
    NO_NUMBER = "no-sequence"  # an increment whose message should carry a number, and does not


@dataclass(frozen=True, slots=True)
class Refused:
    """why, of which value ("" for the whole message), and what stood there, shortened"""

    why: Refusal
    value: str = ""
    found: str = ""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a message says.

    values: by the field of the map; finite and in the quantity's unit and range
    stamp: its own time; None where the map knows of none. sequence: its number, None where it has none
    """

    values: tuple[tuple[ValueField, float], ...] = ()
    stamp: Stamp | None = None
    sequence: int | None = None
    refused: tuple[Refused, ...] = ()


class Written(str):
    """A number as it is written in a document, not yet read: all its digits, and apart from a text of the same look."""

    __slots__ = ()


_NOT_FINITE = re.compile(
    r'("(?:[^"\\]|\\.)*(?:"|\\?\Z))|(?<![\w.+-])[+-]?(?:nan|inf(?:inity)?)(?![\w.])', re.IGNORECASE | re.DOTALL
)
"""What devices write for a sensor that is not there, and is not JSON. Texts are stepped over, open ones too."""

_LONGEST_NUMBER = 64


class _Twice:
    """Stands at a key that a document has more than once."""


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        for name in names:
            if names.count(name) > 1:
                found[name] = _Twice()
    return found


_DECODER = json.JSONDecoder(
    parse_float=Written, parse_int=Written, parse_constant=lambda _: None, object_pairs_hook=_object
)


def document_of(text: str) -> object:
    """A JSON document with its numbers as written; NaN and infinity are None. ValueError where it is none."""
    try:
        return _DECODER.decode(text)
    except RecursionError:
        raise ValueError("brackets inside brackets, far too deep") from None
    except ValueError:
        mended = _NOT_FINITE.sub(lambda found: found[1] or "null", text)
        if mended == text:
            raise
    try:
        return _DECODER.decode(mended)
    except RecursionError:
        raise ValueError("brackets inside brackets, far too deep") from None


def contents(payload: bytes, rule: TopicRule) -> Contents:
    """What a message under a topic says by the rule of that topic."""
    if len(payload) > LARGEST:
        return Contents(refused=(Refused(Refusal.TOO_LARGE, found=f"{len(payload)} bytes"),))
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        return Contents(refused=(Refused(Refusal.NOT_TEXT, found=_short(payload)),))
    document: object = None
    if rule.time is not None or rule.sequence is not None or any(field.path is not None for field in rule.values):
        try:
            document = document_of(text)
        except ValueError:
            return Contents(refused=(Refused(Refusal.NOT_JSON, found=_short(text)),))
    stamp = None
    if rule.time is not None:
        written = at_path(document, rule.time.path)
        stamp = stamp_of(written, rule.time) if isinstance(written, str) else None
        if stamp is None:
            return Contents(refused=(Refused(Refusal.BAD_TIME, found=_short(written)),))
    sequence = _sequence(at_path(document, rule.sequence)) if rule.sequence is not None else None
    values: list[tuple[ValueField, float]] = []
    refused: list[Refused] = []
    for field in rule.values:
        found = text if field.path is None else at_path(document, field.path)
        value = _value(found, field, rule.decimal_comma)
        if isinstance(value, Refusal):
            refused.append(Refused(value, field.name, _short(found)))
        elif field.is_increment and rule.sequence is not None and sequence is None:
            refused.append(Refused(Refusal.NO_NUMBER, field.name))
        else:
            values.append((field, value))
    return Contents(tuple(values), stamp, sequence, tuple(refused))


def _sequence(written: object) -> int | None:
    """The number of a message: whole, not negative, and small enough to be kept exactly."""
    if isinstance(written, str) and re.fullmatch(r"[0-9]{1,15}", written):
        return int(written)
    return None


def _value(found: object, field: ValueField, decimal_comma: bool) -> float | Refusal:
    if found is Absent.HERE:
        return Refusal.ABSENT
    if found is None or found == "":
        return Refusal.NO_VALUE
    if isinstance(found, _Twice):
        return Refusal.AMBIGUOUS
    if not isinstance(found, str):  # true, false, a list, a table
        return Refusal.NOT_A_NUMBER
    if field.states is not None:
        state = field.states.get(found)
        return Refusal.NOT_A_NUMBER if state is None else float(state)
    unit, scale = field.unit, field.scale
    if isinstance(found, Written):  # JSON knows one decimal sign
        number = written_number(found, ".")
        if number is None:
            return Refusal.NOT_A_NUMBER
    else:
        read = _text_number(found, field, decimal_comma)
        if isinstance(read, Refusal):
            return read
        number, own = read
        if own is not None:
            if scale not in (1, -1):  # is it what one step is worth, or not?
                return Refusal.AMBIGUOUS
            unit = own
    value = unit.inside(number * scale) + 0.0  # no minus zero
    quantity = field.quantity
    # Infinity, from a number too large to be one, is outside every range.
    return value if quantity.low <= value <= quantity.high else Refusal.OUT_OF_RANGE


_TEXT = re.compile(
    r"(?P<sign>[+-]?)[ ]?(?P<digits>(?:[0-9]{1,3}(?:[ \u00a0\u2009\u202f'][0-9]{3})+|[0-9]{0,30})(?:[.,][0-9]{0,30})?"
    r"(?:[eE][+-]?[0-9]{1,3}(?![0-9]))?)[ \u00a0\u2009\u202f]?(?P<unit>[^\s0-9+.,-]\S{0,9})?"
)
_NOTHING = frozenset({"nan", "inf", "infinity", "null", "none", "n/a", "na", "-", "--", "unavailable", "unknown"})
_GROUPS = re.compile(r"[ \u00a0\u2009\u202f']")
_SPELT: Mapping[str, str] = {
    "°C": "degC", "C": "degC", "℃": "degC", "°F": "degF", "F": "degF", "W/m²": "W/m2", "W/m^2": "W/m2",
    "Ω": "ohm", "kΩ": "kohm", "MΩ": "Mohm", "KW": "kW", "kw": "kW", "KWH": "kWh", "KWh": "kWh", "kwh": "kWh",
    "w": "W", "wh": "Wh", "WH": "Wh", "v": "V", "a": "A", "hz": "Hz", "HZ": "Hz", "Volt": "V", "Watt": "W",
}  # fmt: skip
"""Other spellings that can't mean anything else. Not "mw" or "MV": a letter there is a factor of a thousand million."""


def _text_number(text: str, field: ValueField, decimal_comma: bool) -> tuple[Decimal, Unit | None] | Refusal:
    """The number in a text and the unit after it (None where there is none)."""
    text = text.strip()
    if len(text) > _LONGEST_NUMBER:
        return Refusal.NOT_A_NUMBER
    if text == "" or text.lower().lstrip("+-") in _NOTHING or text.lower() in _NOTHING:
        return Refusal.NO_VALUE
    read = _TEXT.fullmatch(text)
    if read is None or not any(sign.isdigit() for sign in read["digits"]):
        return Refusal.AMBIGUOUS if text[0] in "0123456789" else Refusal.NOT_A_NUMBER
    digits = _GROUPS.sub("", read["digits"])
    decimal = "," if decimal_comma else "."
    if ("." if decimal_comma else ",") in digits:
        return Refusal.AMBIGUOUS
    number = written_number(read["sign"] + digits, decimal)
    if number is None:
        return Refusal.NOT_A_NUMBER
    written = read["unit"]
    if written is None:
        return number, None
    unit = field.units.get(_SPELT.get(written, written))
    return Refusal.AMBIGUOUS if unit is None else (number, unit)


def _short(found: object) -> str:
    """What stood there, for one line of a log."""
    if found is Absent.HERE:
        return ""
    text = repr(found[:60]) if isinstance(found, str | bytes) else repr(type(found).__name__)
    return text if len(text) <= 60 else text[:57] + "..."
