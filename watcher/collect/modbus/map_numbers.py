"""Registers to values as a register map says: order, type, absent codes, scale and unit.

Rule: a value is made from the written digits of its number and its scale, so 2345 x 0.1 is 234.5; what is absent, not
listed or not finite is no value. What is absent is what the map lists, and besides only a float that is no number.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping
from decimal import Decimal

from watcher.collect.modbus.register_map import MapPoint, NumberType, Order
from watcher.collect.modbus.registers import Decoder, Raw, Words, float32, float64, joined

_Number = Callable[[Words], int | float | None]


def decoder(point: MapPoint) -> Decoder:
    """How the registers of a point become its value in the quantity's unit, or None where there is none.

    A point with a scale register gives a Decimal, so that its power of ten is applied to exact digits too.
    """
    number, meaning, absent = _in_order(point), _meaning(point), point.sentinels

    def read(words: Words) -> Raw | None:
        raw = number(words)
        return None if raw is None or raw in absent else meaning(raw)

    return read


def sentinel(type: NumberType, written: int | float) -> int | float:
    """An absent code as the number its register reads as: 0x8000 is -32768 as an int16. ValueError where it is none."""
    if type.is_float:
        return _as_float(type, written)
    low, high = type.range
    if not isinstance(written, int) or not low <= written < 1 << type.bits:
        raise ValueError(f"{written!r} is no {type}")
    return written if written <= high else written - (1 << type.bits)


def _as_float(type: NumberType, written: int | float) -> float:
    try:
        packed = struct.pack(">f" if type is NumberType.FLOAT32 else ">d", float(written))
    except OverflowError:
        raise ValueError(f"{written!r} is no {type}") from None
    number = _raw(type)(struct.unpack(f">{type.size}H", packed))
    if number is None:
        raise ValueError(f"{written!r} is never a value")
    return number


def _raw(type: NumberType) -> _Number:
    """High end first."""
    if type.is_float:
        return float32 if type is NumberType.FLOAT32 else float64
    if not type.is_signed:
        return joined
    top = 1 << type.bits - 1
    return lambda words: number if (number := joined(words)) < top else number - 2 * top


def _in_order(point: MapPoint) -> _Number:
    """The raw number, its registers and their bytes put in order first."""
    raw = _raw(point.type)
    swap_words, swap_bytes = point.word_order is Order.LOW_FIRST, point.byte_order is Order.LOW_FIRST
    if not swap_words and not swap_bytes:
        return raw

    def read(words: Words) -> int | float | None:
        if swap_bytes:
            words = [(word & 0xFF) << 8 | word >> 8 for word in words]
        return raw(words[::-1] if swap_words else words)

    return read


def _meaning(point: MapPoint) -> Callable[[int | float], Raw | None]:
    if (states := point.states) is not None:
        return lambda raw: states.get(int(raw))
    if (bits := point.bits) is not None:
        return lambda raw: _ours(int(raw), bits)
    scale, unit = point.scale, point.unit

    def inside(raw: int | float) -> Decimal:
        written = Decimal(raw) if isinstance(raw, int) else Decimal(repr(raw))
        return (written * scale + unit.before) * unit.factor

    if point.scale_register is not None:
        return inside
    return lambda raw: _finite(inside(raw))


def _ours(raw: int, bits: Mapping[int, int]) -> int:
    """Each listed bit at its place among ours, where several of theirs may meet; the others are left out."""
    ours = 0
    for theirs, place in bits.items():
        ours |= (raw >> theirs & 1) << place
    return ours


def _finite(exact: Decimal) -> float | None:
    value = float(exact) + 0.0  # minus zero is zero
    return value if math.isfinite(value) else None
