"""Field case A2: a scale factor moves between two polls, or between two requests of one poll."""

from __future__ import annotations

import pytest

from tests.collect.modbus.wire import INVERTER_A1, Answer, Question, hold, play, sunspec
from watcher.collect.modbus.blocks import Span
from watcher.collect.modbus.reader import SunSpecReader

W, W_SF = 40070 + 14, 40070 + 15
POWER = "inverter-1.ac_power"


def test_case_a2_each_poll_uses_the_factor_that_came_with_its_value() -> None:
    device = sunspec(INVERTER_A1)
    reader = SunSpecReader("inverter-1", "inverter", "exported")
    powers, notes = [], []
    for power, factor in [(0x0B54, 0x0000), (0x0141, 0x0001), (0x7148, 0xFFFF), (0x0B40, 0x8000), (0x0B40, 0x8000)]:
        device |= {W: power, W_SF: factor}
        poll, asked = play(reader.poll(len(powers) * 300_000), device)
        assert any(span.covers(Span(W, 2)) for span in asked)
        powers.append(poll.decoded.values.get(POWER))
        notes += poll.notes
    assert powers == [2900.0, 3210.0, 2900.0, None, None]
    assert notes == ["101.W has no usable scale factor"]


@pytest.mark.parametrize("factor", [11, 0xFFF5, 0x8001, 0x7FFF])
def test_case_a2_a_factor_out_of_range_gives_no_value_and_one_note(factor: int) -> None:
    device = sunspec(INVERTER_A1) | {W_SF: factor}
    poll, _ = play(SunSpecReader("inverter-1", "inverter", "exported").poll(0), device)
    assert POWER not in poll.decoded.values
    assert poll.notes == ("101.W has no usable scale factor",)


def nine_inputs(factor: int, watts: int) -> dict[int, int]:
    """Nine inputs of the same power; the last ones lie further from their factor than a request is long."""
    model = [160, 8 + 20 * 9, 0x8000, 0x8000, factor & 0xFFFF, 0x8000, 0, 0, 9, 60]
    for n in range(1, 10):
        model += [n, *[0] * 8, 0xFFFF, 0xFFFF, watts, 0, 0, 0xFFFF, 0xFFFF, 0x8000, 4, 0, 0]
    return sunspec(INVERTER_A1, model)


@pytest.mark.parametrize("changes_before_request", range(1, 6))
def test_case_a2_a_factor_that_moves_between_two_requests_costs_the_values_it_touches(
    changes_before_request: int,
) -> None:
    before, after = nine_inputs(0, 2900), nine_inputs(1, 290)
    reader = SunSpecReader("inverter-1", "inverter", "exported")
    play(reader.poll(0), before)
    number = 0

    def changing(question: Question) -> Answer:
        nonlocal number
        number += 1
        return hold(before if number < changes_before_request else after)(question)

    poll, asked = play(reader.poll(60_000), changing)
    # The inverter with the first inputs, the factors with the next, the far inputs, and the factors once more.
    assert [span.covers(Span(40124, 3)) for span in asked] == [True, True, False, True]
    powers = {n: poll.decoded.values.get(f"inverter-1.input-{n}.dc_power") for n in range(1, 10)}
    assert set(powers.values()) <= {2900.0, None}  # 290, 29 000 and the like are never stored
    far = {n for n, power in powers.items() if power is None}
    assert len(poll.decoded.moved) == len(far)
    # Unchanged all through, or changed before the first request: nothing is lost.
    assert far == ({7, 8, 9} if 1 < changes_before_request <= 4 else set())
