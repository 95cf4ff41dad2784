"""Point types against the standard's absent codes and against struct, which knows nothing of either."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.modbus.registers import NUMBERS, accumulator, float32, scale_factor, scaled, text

WORD = st.integers(0, 0xFFFF)


def split(packed: bytes) -> list[int]:
    return list(struct.unpack(f">{len(packed) // 2}H", packed))


@pytest.mark.parametrize(
    ("kind", "words", "value"),
    [
        # reference-values.md 2.2, from the standard's own tools
        pytest.param("int16", [0x8000], None, id="int16 absent"),
        pytest.param("int16", [0xFFFF], -1, id="all ones is minus one as int16"),
        pytest.param("int32", [0x8000, 0], None, id="int32 absent"),
        pytest.param("int64", [0x8000, 0, 0, 0], None, id="int64 absent"),
        pytest.param("uint16", [0xFFFF], None, id="uint16 absent"),
        pytest.param("uint16", [0x8000], 32768, id="0x8000 is a number as uint16"),
        pytest.param("uint32", [0xFFFF, 0xFFFF], None, id="uint32 absent"),
        pytest.param("uint64", [0xFFFF] * 4, None, id="uint64 absent"),
        pytest.param("count", [0xFFFF], None, id="count absent"),
        pytest.param("acc16", [0], None, id="acc16 absent"),
        pytest.param("acc32", [0, 0], None, id="acc32 absent"),
        pytest.param("acc64", [0, 0, 0, 0], None, id="acc64 absent"),
        pytest.param("acc32", [0xFFFF, 0xFFFF], 4294967295, id="all ones is a valid count"),
        pytest.param("enum16", [0xFFFF], None, id="enum16 absent"),
        pytest.param("enum32", [0xFFFF, 0xFFFF], None, id="enum32 absent"),
        pytest.param("bitfield16", [0xFFFF], None, id="bitfield16 absent"),
        pytest.param("bitfield32", [0xFFFF, 0xFFFF], None, id="bitfield32 absent"),
        pytest.param("bitfield32", [0x8000, 1], None, id="a bitfield with its top bit set is ignored"),
        pytest.param("bitfield32", [0x7FFF, 0xFFFF], 0x7FFFFFFF, id="every other bit counts"),
        pytest.param("bitfield32", [0, 0x0410], 0x410, id="high word first"),
        pytest.param("float32", [0x7FC0, 0], None, id="float32 absent"),
        pytest.param("float32", [0x7F80, 0], None, id="infinity is no measurement"),
        pytest.param("float64", [0x7FF8, 0, 0, 0], None, id="float64 absent"),
        pytest.param("float64", [0xFFF0, 0, 0, 0], None, id="nor is minus infinity in float64"),
        pytest.param("sunssf", [0x8000], None, id="no scale factor"),
        pytest.param("sunssf", [0xFFFF], -1, id="all ones is minus one as a scale factor"),
        pytest.param("sunssf", [10], 10, id="the largest factor"),
        pytest.param("sunssf", [11], None, id="no factor is larger"),
        pytest.param("sunssf", [0xFFF6], -10, id="the smallest factor"),
        pytest.param("sunssf", [0xFFF5], None, id="no factor is smaller"),
        pytest.param("pad", [0x8000], None, id="padding says nothing"),
    ],
)
def test_absence_is_told_by_type_and_never_by_bit_pattern(kind: str, words: list[int], value: float | None) -> None:
    size, decode = NUMBERS[kind]
    assert size == len(words)
    assert decode(words) == value


def test_a_zero_accumulator_is_no_value() -> None:
    assert accumulator([0, 0]) is None
    assert accumulator([0, 1]) == 1


_PACKED = {"int16": ">h", "int32": ">i", "int64": ">q"} | {
    kind: {1: ">H", 2: ">I", 4: ">Q"}[size]
    for kind, (size, _) in NUMBERS.items()
    if kind.startswith(("uint", "acc", "enum", "count"))
}


@pytest.mark.parametrize("kind", sorted(_PACKED))
@given(data=st.data())
def test_a_whole_number_comes_back_as_it_was_packed(kind: str, data: st.DataObject) -> None:
    size, decode = NUMBERS[kind]
    bits = 16 * size
    low, high = (-(1 << bits - 1) + 1, (1 << bits - 1) - 1) if kind.startswith("int") else (0, (1 << bits) - 2)
    value = data.draw(st.integers(1 if kind.startswith("acc") else low, high))
    assert decode(split(struct.pack(_PACKED[kind], value))) == value


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float32_comes_back_as_a_decimal_that_names_it(value: float) -> None:
    packed = struct.pack(">f", value)
    read = float32(split(packed))
    assert read is not None
    assert struct.pack(">f", read) == packed


@given(st.integers(-999_999, 999_999), st.integers(0, 4))
def test_six_digits_through_a_float32_come_back_as_typed(digits: int, places: int) -> None:
    typed = digits / 10**places
    assert float32(split(struct.pack(">f", typed))) == typed


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_float64_comes_back_exactly(value: float) -> None:
    assert NUMBERS["float64"][1](split(struct.pack(">d", value))) == value


@pytest.mark.parametrize("kind", sorted(NUMBERS))
@given(data=st.data())
def test_any_words_give_a_finite_value_or_none(kind: str, data: st.DataObject) -> None:
    size, decode = NUMBERS[kind]
    value = decode(data.draw(st.lists(WORD, min_size=size, max_size=size)))
    assert value is None or math.isfinite(value)


@given(st.lists(WORD, max_size=20))
def test_any_words_give_a_text_fit_for_one_line(words: list[int]) -> None:
    read = text(words)
    assert read is None or (read == read.strip() != "" and read.isprintable())


@pytest.mark.parametrize(
    ("raw", "read"),
    [
        pytest.param(b"SN-0000001234\0\0\0", "SN-0000001234", id="up to the first NUL"),
        pytest.param(b"7\0old rest", "7", id="what follows the NUL is rubbish"),
        pytest.param(b"  0012345  ", "0012345", id="blanks go, leading zeros stay"),
        pytest.param(b"\0\0", None, id="a NUL in front is no text"),
        pytest.param(b"    ", None, id="blanks alone are no text"),
        pytest.param("Grün".encode() + b"\0", "Grün", id="UTF-8"),
        pytest.param(b"A\xffB\0", "A�B", id="what is no UTF-8 shows as such"),
        pytest.param(b"SN1\r\nBcc: x@y\0", "SN1Bcc: x@y", id="no line break gets through"),
    ],
)
def test_a_text_is_read_as_people_would(raw: bytes, read: str | None) -> None:
    assert text(split(raw.ljust(len(raw) + len(raw) % 2, b"\0"))) == read


@pytest.mark.parametrize("word", [-1, 0x1_0000])
@pytest.mark.parametrize("kind", sorted(NUMBERS))
def test_what_is_no_register_is_an_error_and_not_a_value(kind: str, word: int) -> None:
    size, decode = NUMBERS[kind]
    with pytest.raises(ValueError, match="no 16-bit register"):
        decode([word] * size)


def test_a_negative_factor_divides_so_that_no_digit_is_added() -> None:
    assert scaled(5012, -1) == 501.2  # times 0.1 it would be 501.20000000000005
    assert scaled(12345678901234567, 0) == 12345678901234567


@given(st.integers(-32767, 65534), st.integers(-10, 10))
def test_scaling_gives_the_nearest_number_there_is(raw: int, power: int) -> None:
    assert float(scaled(raw, power)) == float(f"{raw}e{power}")
    assert scale_factor([power & 0xFFFF]) == power
