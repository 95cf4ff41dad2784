"""Modbus RTU as bytes: what a question looks like, and what came back for it. Pure.

Rule: an RTU frame has no transaction number, so an answer is believed only where unit, function, length and check sum
are all those of the question; the rest of the caution, silence after a time-out, is the line's (rtu_line.py).
Frames and check sum: Modbus over serial line, specification and implementation guide, 2.5.1 and 6.2 (from memory).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import StrEnum

from watcher.collect.modbus.blocks import Refused, Span
from watcher.collect.modbus.registers import Words

QUESTION_BYTES = 8
_FRAME = 5
"""Bytes of a frame beside its registers; the whole of an exception's."""

BITS_A_BYTE = 11
"""Start bit, eight data bits, parity or second stop bit, stop bit."""

FAST_GAP_S = 0.00175
"""The silence between frames above 19200 baud, fixed so that no computer has to be quicker."""


class Unfit(StrEnum):
    """Why what came back is no answer to the question."""

    GARBLED = "garbled"  # noise, a collision, a frame cut short
    MISMATCHED = "mismatched"  # another unit or function: the answer to another question
    SHORT = "short"  # sound, but not as many registers as were asked for


@dataclass(frozen=True, slots=True)
class Heard:
    """answer: None while more must come. echoed: the adapter hears what we say ourselves"""

    answer: Words | Refused | Unfit | None
    echoed: bool = False


def _table() -> tuple[int, ...]:
    rows = []
    for byte in range(256):
        for _ in range(8):
            byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
        rows.append(byte)
    return tuple(rows)


_CRC = _table()


def check_sum(frame: bytes) -> bytes:
    """The two bytes at a frame's end: polynomial 0x8005 reflected, start 0xFFFF, low byte first."""
    crc = 0xFFFF
    for byte in frame:
        crc = crc >> 8 ^ _CRC[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")


def question(unit: int, span: Span) -> bytes:
    """The frame that asks a unit for registers: function code 3 or 4, by the span's table."""
    if not 1 <= unit <= 247:
        raise ValueError(f"unit {unit}: on a serial line a unit id is 1 to 247")
    frame = struct.pack(">BBHH", unit, span.table, span.first, span.count)
    return frame + check_sum(frame)


def hear(got: bytes, asked: bytes, span: Span) -> Heard:
    """What the bytes so far are to the question."""
    if asked.startswith(got):
        return Heard(None)  # nothing yet, or what may become an echo
    echoed = got.startswith(asked)
    return Heard(_answer(got[len(asked) :] if echoed else got, asked, span), echoed)


def _answer(got: bytes, asked: bytes, span: Span) -> Words | Refused | Unfit | None:
    if len(got) < _FRAME:
        return None
    refused = bool(got[1] & 0x80)
    length = _FRAME if refused else _FRAME + got[2]
    if len(got) < length:
        return None
    # More than one frame: nobody knows which of them is the answer.
    if len(got) > length or check_sum(got[:-2]) != got[-2:]:
        return Unfit.GARBLED
    if got[0] != asked[0] or got[1] & 0x7F != asked[1]:
        return Unfit.MISMATCHED
    if refused:
        return Refused(got[2])
    if got[2] != 2 * span.count:
        return Unfit.SHORT
    return struct.unpack(f">{span.count}H", got[3:-2])


def frame_gap_s(baud: int) -> float:
    """The silence that ends a frame: three and a half bytes."""
    return FAST_GAP_S if baud > 19200 else 3.5 * BITS_A_BYTE / baud


def on_the_wire_s(baud: int, registers: int) -> float:
    """How long a question and its answer are under way, however quick the unit is."""
    return (QUESTION_BYTES + _FRAME + 2 * registers) * BITS_A_BYTE / baud
