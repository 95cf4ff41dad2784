"""RTU frames: what is asked, and what is believed of what comes back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.collect.modbus.serial_wire import crc, exception, reply
from watcher.collect.modbus.blocks import Refused, Span, Table
from watcher.collect.modbus.rtu import Unfit, check_sum, frame_gap_s, hear, on_the_wire_s, question

SPAN = Span(107, 3)
ASKED = question(17, SPAN)
WORDS = [0xAE41, 0x5652, 0x4340]


def test_the_check_sum_is_the_published_one() -> None:
    # The catalogued check value of this CRC (CRC-16/MODBUS, from memory): "123456789" gives 0x4B37, low byte first.
    assert check_sum(b"123456789") == bytes([0x37, 0x4B])


def test_a_question_is_the_example_every_textbook_has() -> None:
    # Read holding registers 108-110 of unit 17 (the protocol's worked example, from memory).
    assert bytes.fromhex("11 03 00 6B 00 03 76 87") == ASKED
    assert question(17, Span(8, 1, Table.INPUT))[:6] == bytes.fromhex("11 04 00 08 00 01")


@pytest.mark.parametrize("unit", [-1, 0, 248, 255])
def test_a_unit_that_no_serial_line_has_is_not_asked(unit: int) -> None:
    with pytest.raises(ValueError, match="1 to 247"):
        question(unit, SPAN)


@pytest.mark.parametrize(
    ("got", "answer"),
    [
        pytest.param(reply(17, 3, WORDS), tuple(WORDS), id="the answer"),
        pytest.param(exception(17, 3, 2), Refused(2), id="an exception"),
        pytest.param(b"", None, id="nothing yet"),
        pytest.param(reply(17, 3, WORDS)[:-1], None, id="not all of it"),
        pytest.param(reply(17, 3, WORDS)[:-1] + b"?", Unfit.GARBLED, id="a wrong check sum"),
        pytest.param(reply(18, 3, WORDS), Unfit.MISMATCHED, id="another unit's"),
        pytest.param(reply(17, 4, WORDS), Unfit.MISMATCHED, id="the other table's"),
        pytest.param(exception(17, 4, 2), Unfit.MISMATCHED, id="an exception to another function"),
        pytest.param(reply(17, 3, WORDS[:2]), Unfit.SHORT, id="too few registers"),
        pytest.param(reply(17, 3, [*WORDS, 1]), Unfit.SHORT, id="too many registers"),
        pytest.param(reply(17, 3, WORDS) * 2, Unfit.GARBLED, id="twice"),
        pytest.param(b"\x00" + reply(17, 3, WORDS), Unfit.GARBLED, id="noise first"),
    ],
)
def test_only_what_fits_in_every_respect_is_an_answer(got: bytes, answer: object) -> None:
    assert hear(got, ASKED, SPAN).answer == answer


def test_an_adapter_that_hears_itself_is_understood_and_noticed() -> None:
    assert hear(ASKED[:5], ASKED, SPAN).answer is None
    heard = hear(ASKED + reply(17, 3, WORDS), ASKED, SPAN)
    assert (heard.answer, heard.echoed) == (tuple(WORDS), True)


@given(st.binary(max_size=300), st.integers(1, 125))
def test_noise_is_never_an_answer(noise: bytes, count: int) -> None:
    span = Span(0, count)
    asked = question(1, span)
    answer = hear(noise, asked, span).answer
    if isinstance(answer, tuple | Refused):
        frame = noise.removeprefix(asked)
        assert crc(frame[:-2]) == frame[-2:]
        assert frame[0] == 1
    else:
        assert answer is None or isinstance(answer, Unfit)


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125), st.data())
def test_one_bit_turned_is_never_believed(words: list[int], data: st.DataObject) -> None:
    span = Span(0, len(words))
    frame = bytearray(reply(1, 3, words))
    bit = data.draw(st.integers(0, 8 * len(frame) - 1))
    frame[bit // 8] ^= 1 << bit % 8
    assert not isinstance(hear(bytes(frame), question(1, span), span).answer, tuple | Refused)


@pytest.mark.parametrize(
    ("baud", "gap_ms"), [(1200, 32.08), (9600, 4.01), (19200, 2.01), (38400, 1.75), (115200, 1.75)]
)
def test_frames_are_kept_apart_by_three_and_a_half_bytes(baud: int, gap_ms: float) -> None:
    # Modbus over serial line, 2.5.1.1: 3.5 characters of 11 bits, fixed at 1.750 ms above 19200 baud (from memory).
    assert round(frame_gap_s(baud) * 1000, 2) == gap_ms


def test_a_slow_line_is_given_the_time_its_bytes_take() -> None:
    assert on_the_wire_s(1200, 125) == pytest.approx((8 + 255) * 11 / 1200)
