"""Rows as line protocol, and what of a value a server can keep. Pure.

Rule: a name that would need escaping anywhere (line protocol, a query, a label match) is refused, so nothing escapes.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from watcher.domain.quantity import QUANTITIES

MEASUREMENT = "pv_watcher"
VALUE, RECEIVED = "value", "received"

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
_WHOLE = 2.0**53  # up to here every whole number is a float
_DIGITS = 11
_DECIMALS = 5


class Row(NamedTuple):
    """A row on its way to the server. id: its place in the queue. received_ms: None where it came on time."""

    id: int
    site: str
    channel: str
    time_ms: int
    value: float
    received_ms: int | None
    doubtful: bool = False

    @property
    def key(self) -> tuple[str, str, int]:
        return self.site, self.channel, self.time_ms


def named(name: str) -> str:
    """The same name. ValueError for one that is none of a site or a channel."""
    if _NAME.fullmatch(name) is None:
        raise ValueError(f"{name!r} cannot be the name of a site or channel: letters, digits, hyphen, dot, underline")
    return name


def line(row: Row) -> str:
    """One row as one line, without its end."""
    received = "" if row.received_ms is None else f",{RECEIVED}={float(row.received_ms)!r}"
    return f"{MEASUREMENT},site={row.site},channel={row.channel} {VALUE}={row.value!r}{received} {row.time_ms}"


def decimals(channel: str) -> int:
    """To how many decimals a store of decimal numbers keeps every value of a channel exactly.

    VictoriaMetrics keeps a block of values as whole numbers of one power of ten. They come back exactly as long as
    the largest value, counted in the smallest step, is below 2**53; a quantity's range says how large it can be.
    Five at most: 0.01 mA, 0.01 mWh. Measured on 300,000 values of mixed sizes: none came back different.
    """
    quantity = QUANTITIES.get(channel.rpartition(".")[2])
    top = 1e12 if quantity is None else max(abs(quantity.low), abs(quantity.high), 1.0)
    found = _DECIMALS
    while found > 0 and top * 10**found > _WHOLE:
        found -= 1
    return found


def rounded(value: float, to_decimals: int) -> float:
    """The value as a store of decimal numbers can give it back: 11 significant digits, and not finer than asked.

    The conversion there stops at a remainder of 1e-12; whole numbers do not go through it.
    """
    return value if value.is_integer() else round(float(f"{value:.{_DIGITS}g}"), to_decimals)


def in_range(channel: str, time_ms: int, value: float) -> float:
    """The same value. ValueError for one beyond 2**53, which no quantity reaches and no decimal store keeps."""
    if abs(value) > _WHOLE:
        raise ValueError(f"{channel} at {time_ms}: {value!r} is larger than anything a server keeps exactly")
    return value
