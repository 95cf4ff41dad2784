"""One day of one series in a few hundred bytes, and back, bit for bit.

Rule: what comes out is what went in, or ValueError; never something like it. Before the bytes are given away they
are read back and compared. A first byte names the format, so that an old chunk stays readable for ever.

Format 1, compressed whole: a header; the differences of the times, less their commonest; the differences of the
values as whole numbers of 10^-digits where every value is exactly such a number divided, else the values' own bits.
Every column is laid out byte by byte (all lowest bytes first): neighbours are alike then and compress. Numbers have
their lowest byte first, as every machine has them that this program runs on.
"""

from __future__ import annotations

import struct
import sys
import zlib
from array import array
from collections import Counter
from collections.abc import Iterable
from itertools import accumulate, pairwise
from typing import Any, NamedTuple

FORMAT = 1

_HEADER = struct.Struct("<BBBxIqqq")  # digits, width of times, width of values, count, first time, step, first value
_OWN_BITS = 255
_MOST_DIGITS = 6
_EXACT = 2**53  # whole numbers below are floats exactly
_CODES = {1: "b", 2: "h", 4: "i", 8: "q"}
_LEVEL = 6


class Columns(NamedTuple):
    """Times in ascending order and the values that belong to them."""

    time_ms: array[int]
    value: array[float]


def pack(columns: Columns) -> bytes:
    """The bytes of at least one sample. ValueError where there is none or the times do not ascend."""
    times, values = columns
    gaps = [later - earlier for earlier, later in pairwise(times)]
    if len(times) != len(values) or not times or (gaps and min(gaps) <= 0):
        raise ValueError("a chunk has at least one sample, and times that ascend")
    step = Counter(gaps).most_common(1)[0][0] if gaps else 0
    time_width, time_planes = _shuffled([gap - step for gap in gaps])
    numbers = _whole_numbers(values)
    if numbers is None:
        digits, first = _OWN_BITS, 0
        value_width, value_planes = 8, _planes(values.tobytes(), 8)
    else:
        digits, whole = numbers
        first = whole[0]
        value_width, value_planes = _shuffled([later - earlier for earlier, later in pairwise(whole)])
    header = _HEADER.pack(digits, time_width, value_width, len(times), times[0], step, first)
    packed = bytes([FORMAT]) + zlib.compress(header + time_planes + value_planes, _LEVEL)
    if unpack(packed) != columns:
        raise ValueError("a chunk could not be read back")  # pragma: no cover - an engine of another arithmetic
    return packed


def unpack(packed: bytes) -> Columns:
    """The samples of a chunk. ValueError where the bytes are damaged or of a format this program does not know."""
    if packed[:1] != bytes([FORMAT]):
        raise ValueError(f"a chunk of format {packed[0] if packed else 'nothing'}; this program knows {FORMAT}")
    try:
        content = zlib.decompress(memoryview(packed)[1:])
        digits, time_width, value_width, count, first_ms, step, first = _HEADER.unpack_from(content)
    except (zlib.error, struct.error) as error:
        raise ValueError(f"a damaged chunk: {error}") from None
    own_bits = digits == _OWN_BITS
    time_bytes, value_bytes = time_width * (count - 1), value_width * (count if own_bits else count - 1)
    planes = memoryview(content)[_HEADER.size :]
    if len(planes) != time_bytes + value_bytes:
        raise ValueError(f"a damaged chunk: {len(planes)} bytes for {count} samples")
    # Never imported here: the daemon has no numpy. A process that has it reads a year four times as fast.
    numpy = sys.modules.get("numpy")
    arithmetic = _Plain() if numpy is None else _Numpy(numpy)
    times = arithmetic.sums(first_ms, step, planes[:time_bytes], time_width, count)
    if own_bits:
        return Columns(times, array("d", _joined(planes[time_bytes:], 8, count)))
    whole = arithmetic.sums(first, 0, planes[time_bytes:], value_width, count)
    return Columns(times, arithmetic.divided(whole, 10**digits))


def _whole_numbers(values: array[float]) -> tuple[int, list[int]] | None:
    """Fewest digits and the whole numbers which, divided by 10^digits, are the values exactly; None if there are none.

    Divided, as the edge does it (raw / 10**k): to multiply by 0.1 would give other bits.
    """
    top = max(map(abs, values))
    for digits in range(_MOST_DIGITS + 1):
        scale = 10**digits
        if top * scale >= _EXACT:
            return None
        if round(values[0] * scale) / scale != values[0]:
            continue
        whole = [round(value * scale) for value in values]
        # Bytes are compared, since -0.0 equals 0.0.
        if array("d", [number / scale for number in whole]).tobytes() == values.tobytes():
            return digits, whole
    return None


def _shuffled(numbers: list[int]) -> tuple[int, bytes]:
    """The narrowest width that holds all numbers (0 where all are 0), and their bytes plane by plane."""
    low, high = min(numbers, default=0), max(numbers, default=0)
    if low == high == 0:
        return 0, b""
    width = next(width for width in _CODES if -(2 ** (8 * width - 1)) <= low and high < 2 ** (8 * width - 1))
    return width, _planes(array(_CODES[width], numbers).tobytes(), width)


def _planes(row: bytes, width: int) -> bytes:
    return b"".join(row[byte::width] for byte in range(width))


def _joined(planes: memoryview, width: int, count: int) -> bytes:
    """The planes as a row of numbers again."""
    if width == 1:
        return bytes(planes)
    row = bytearray(len(planes))
    for byte in range(width):
        row[byte::width] = planes[byte * count : (byte + 1) * count]
    return bytes(row)


class _Plain:
    """Sums and quotients by the standard library."""

    def sums(self, first: int, step: int, planes: memoryview, width: int, count: int) -> array[int]:
        """first, and then each number one difference and one step further on."""
        if not width:
            return array("q", range(first, first + step * count, step) if step else [first] * count)
        differences: Iterable[int] = array(_CODES[width], _joined(planes, width, count - 1))
        if step:
            differences = [difference + step for difference in differences]
        return array("q", accumulate(differences, initial=first))

    def divided(self, whole: array[int], scale: int) -> array[float]:
        return array("d", whole if scale == 1 else [number / scale for number in whole])


class _Numpy:
    """The same sums and quotients by an array library that the process already has."""

    def __init__(self, numpy: Any) -> None:
        self._np = numpy

    def sums(self, first: int, step: int, planes: memoryview, width: int, count: int) -> array[int]:
        np = self._np
        row = np.empty(count, dtype=np.int64)
        row[0] = first
        row[1:] = np.frombuffer(_joined(planes, width, count - 1), dtype=f"i{width}") if width else 0
        if step:
            row[1:] += step
        found: array[int] = array("q")
        found.frombytes(row.cumsum().view("u1"))
        return found

    def divided(self, whole: array[int], scale: int) -> array[float]:
        np = self._np
        found: array[float] = array("d")
        found.frombytes((np.frombuffer(whole, dtype=np.int64) / scale).view("u1"))
        return found
