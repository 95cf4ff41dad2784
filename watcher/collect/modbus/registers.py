"""SunSpec point types: 16-bit registers in, a value or None out.

Rule: every type has its own code for "not here", so absence is decided by type and never by bit pattern: 0xFFFF is
absent as a uint16 and minus one as a scale factor. Big-endian, high word first. Nothing that is not finite leaves
here. (Types and codes: the SunSpec device information model, as its published model files and tools state them.)
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal

Words = Sequence[int]
"""Registers as read, each 0..65535, in order of address."""

Raw = int | float | Decimal
"""A number before its scale factor. Decimal where its unit, too, is still to be applied exactly."""

HIGHEST_FACTOR = 10
"""Scale factors are powers of ten from -10 to 10; anything else is no factor."""

_TOP = (0, *(1 << (16 * length - 1) for length in range(1, 5)))
"""The top bit, by number of registers."""

_TENS: tuple[int, ...] = tuple(10**power for power in range(HIGHEST_FACTOR + 1))


def joined(words: Words) -> int:
    """One unsigned number from its registers, high word first. ValueError for what is no register."""
    if len(words) == 1 and 0 <= words[0] <= 0xFFFF:
        return words[0]  # by far the most frequent
    number = 0
    for word in words:
        if not 0 <= word <= 0xFFFF:
            raise ValueError(f"{word!r} is no 16-bit register")
        number = number << 16 | word
    return number


def signed(words: Words) -> int | None:
    """int16, int32, int64. The lowest number (0x8000...) says: not here."""
    number, top = joined(words), _TOP[len(words)]
    if number < top:
        return number
    return None if number == top else number - 2 * top


def unsigned(words: Words) -> int | None:
    """uint16, uint32, uint64, enum16, enum32, count. All ones says: not here."""
    number = joined(words)
    return None if number == 2 * _TOP[len(words)] - 1 else number


def accumulator(words: Words) -> int | None:
    """acc16, acc32, acc64. Zero says: not here; all ones is a valid count, one step before it wraps."""
    return joined(words) or None


def bitfield(words: Words) -> int | None:
    """bitfield16, bitfield32. All ones says: not here, and so does the top bit alone, which no list of bits uses."""
    number = joined(words)
    return None if number >= _TOP[len(words)] else number


def float32(words: Words) -> float | None:
    """float32 as the shortest decimal that names it: 50.01, not 50.0099983. NaN says: not here; infinity is none."""
    packed = joined(words).to_bytes(4, "big")
    (value,) = struct.unpack(">f", packed)
    if not math.isfinite(value):
        return None
    for digits in (6, 7, 8):
        short = float(f"{value:.{digits}g}")
        if struct.pack(">f", short) == packed:
            return short
    return float(f"{value:.9g}")  # nine digits always tell two neighbours apart


def float64(words: Words) -> float | None:
    """float64. NaN says: not here; infinity is no measurement either."""
    (value,) = struct.unpack(">d", joined(words).to_bytes(8, "big"))
    return value if math.isfinite(value) else None


def scale_factor(words: Words) -> int | None:
    """sunssf: a power of ten from -10 to 10. None for the absent code 0x8000 and for anything outside."""
    power = signed(words)
    return None if power is None or abs(power) > HIGHEST_FACTOR else power


def pad(words: Words) -> None:
    """pad: carries nothing, whatever a device sends in it."""
    joined(words)


def text(words: Words) -> str | None:
    """string: UTF-8 up to the first NUL, without surrounding blanks; None where nothing is left.

    What is no UTF-8 becomes the replacement mark. What does not print is left out: a serial number travels into
    mail subjects and pages, and a line break has no business there.
    """
    raw = b"".join(joined((word,)).to_bytes(2, "big") for word in words)
    read = raw.partition(b"\0")[0].decode("utf-8", errors="replace")
    return "".join(mark for mark in read if mark.isprintable()).strip() or None


def scaled(raw: Raw, power: int) -> Raw:
    """raw times ten to the power, for a power from -10 to 10."""
    # Dividing keeps 5012 x 10^-1 at 501.2; multiplying by 0.1 gives 501.20000000000005.
    return raw * _TENS[power] if power >= 0 else raw / _TENS[-power]


Decoder = Callable[[Words], Raw | None]

NUMBERS: Mapping[str, tuple[int, Decoder]] = {
    "int16": (1, signed),
    "int32": (2, signed),
    "int64": (4, signed),
    "uint16": (1, unsigned),
    "uint32": (2, unsigned),
    "uint64": (4, unsigned),
    "acc16": (1, accumulator),
    "acc32": (2, accumulator),
    "acc64": (4, accumulator),
    "enum16": (1, unsigned),
    "enum32": (2, unsigned),
    "bitfield16": (1, bitfield),
    "bitfield32": (2, bitfield),
    "float32": (2, float32),
    "float64": (4, float64),
    "sunssf": (1, scale_factor),
    "count": (1, unsigned),
    "pad": (1, pad),
}
"""Every numeric type: how many registers it takes, and how they are read."""
