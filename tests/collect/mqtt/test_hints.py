"""Kilowatts taken for watts are asked about, once; watts never are."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.mqtt.hints import ThousandTimes
from watcher.domain.instant import MINUTE_MS

NAME, LIMIT_W = "inverter-1.ac_power", 3680.0


def asked(values: list[float], every_ms: int = 10 * MINUTE_MS) -> list[str]:
    hint = ThousandTimes(NAME, LIMIT_W)
    told = [hint.note(number * every_ms, value) for number, value in enumerate(values)]
    return [one for one in told if one]


def test_kilowatts_taken_for_watts_are_asked_about_once() -> None:
    (question,) = asked([0.35 + number / 100 for number in range(200)])
    assert question == (
        "inverter-1.ac_power has never been above 0.84 W in 50 values, of a device of 3680 W: "
        'should its topic map say unit = "kW"?'
    )


@pytest.mark.parametrize(
    ("values", "every_min"),
    [
        pytest.param([0.5] * 49, 10, id="too few"),
        pytest.param([0.5] * 300, 1, id="five hours only"),
        pytest.param([1.0, 2.0] * 200, 10, id="whole numbers: watts of a dark day"),
        pytest.param([0.0] * 200 + [-0.4] * 200, 10, id="nothing made"),
        pytest.param([10.0] + [0.5] * 400, 10, id="once seen to be watts"),
        pytest.param([0.5] * 40 + [1520.0] + [0.5] * 400, 10, id="seen to be watts before it is sure"),
    ],
)
def test_what_may_be_watts_is_not_asked_about(values: list[float], every_min: int) -> None:
    assert asked(values, every_min * MINUTE_MS) == []


@given(st.lists(st.floats(-10.0, 4000.0), max_size=200))
def test_a_question_is_asked_at_most_once_and_never_after_a_value_of_its_own_size(values: list[float]) -> None:
    assert len(asked(values)) <= 1
    assert asked([LIMIT_W / 2, *values]) == []


def test_values_out_of_order_count_by_the_earliest() -> None:
    hint = ThousandTimes(NAME, LIMIT_W)
    assert hint.note(0, 0.5) == ""
    told = [hint.note(at * 10 * MINUTE_MS, 0.5) for at in range(48, -1, -1)]
    assert not any(told)  # fifty values, and none comes hours after the earliest
    assert hint.note(49 * 10 * MINUTE_MS, 0.5) != ""
