"""A day sheet's columns, and the bytes they are kept as. Needs no numpy: the page reads sheets too.

Rule: columns are whole tenths of their unit (W, W/m², °C, Wh), MISSING where there was no value.
"""

from __future__ import annotations

import json
import struct
import zlib
from array import array
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import accumulate
from operator import sub
from typing import NamedTuple

MISSING = -(2**31)
"""No value; no column can reach it."""

TENTHS = 10.0
_FORMAT = 1
_HEADER = struct.Struct("<BqHH")  # format, start of the day, intervals, length of the names
"""Numbers have the order of bytes of every machine this program runs on, as in the readings' chunks."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """start_ms: of the civil day. columns: whole tenths by name, one entry a grid interval"""

    start_ms: int
    columns: Mapping[str, array[int]]

    def values(self, name: str) -> list[float | None]:
        """One column in its unit; None where there was no value. KeyError for a column that is not there."""
        return [None if tenths == MISSING else tenths / TENTHS for tenths in self.columns[name]]


def pack(sheet: Sheet) -> bytes:
    """The bytes of a sheet: names, then differences, all lowest bytes first, compressed."""
    names = sorted(sheet.columns)
    text = json.dumps(names, separators=(",", ":")).encode()
    intervals = len(sheet.columns[names[0]]) if names else 0
    planes = bytearray()
    for name in names:
        column = sheet.columns[name]
        # Of each step the lowest four bytes of eight, so modulo 2^32: one to MISSING and back is as good as any.
        row = array("q", [*column[:1], *map(sub, column[1:], column)]).tobytes()
        planes += b"".join(row[byte::8] for byte in range(4))
    return _HEADER.pack(_FORMAT, sheet.start_ms, intervals, len(text)) + zlib.compress(text + bytes(planes), 6)


class Opened(NamedTuple):
    """A sheet whose columns have not been added up yet. rows: from where they stand in content"""

    start_ms: int
    intervals: int
    names: tuple[str, ...]
    content: bytes
    rows: int

    def row(self, place: int) -> bytes:
        """Differences of one column: the lowest byte of each, then the next byte of each, and so on."""
        at = self.rows + 4 * self.intervals * place
        return self.content[at : at + 4 * self.intervals]


def open_sheet(packed: bytes) -> Opened:
    """ValueError for bytes that are damaged or of a format this program does not know."""
    try:
        format, start_ms, intervals, length = _HEADER.unpack_from(packed)
        if format != _FORMAT:
            raise ValueError(f"a day sheet of format {format}; this program knows {_FORMAT}")
        content = zlib.decompress(memoryview(packed)[_HEADER.size :])
        names = json.loads(content[:length])
        if len(content) != length + 4 * intervals * len(names):
            raise ValueError(f"{len(content)} bytes for {len(names)} columns")
    except (struct.error, zlib.error, ValueError) as error:
        raise ValueError(f"a damaged day sheet: {error}") from None
    return Opened(start_ms, intervals, tuple(names), content, length)


def unpack(packed: bytes, names: Collection[str] | None = None) -> Sheet:
    """The sheet of these bytes, or of its columns those that are named. ValueError as open_sheet."""
    opened = open_sheet(packed)
    columns: dict[str, array[int]] = {}
    for place, name in enumerate(opened.names):
        if names is not None and name not in names:
            continue
        planes = opened.row(place)
        row = bytearray(4 * opened.intervals)
        for byte in range(4):
            row[byte::4] = planes[byte * opened.intervals : (byte + 1) * opened.intervals]
        steps = array("I", bytes(row))
        columns[name] = array("i", [_signed(total) for total in accumulate(steps)])
    return Sheet(opened.start_ms, columns)


def _signed(total: int) -> int:
    total &= 0xFFFFFFFF
    return total - 2**32 if total >= 2**31 else total
