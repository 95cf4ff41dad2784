"""Cases B3 and C3 at the counter: the register that goes round, and the message that comes twice."""

from __future__ import annotations

import pytest

from watcher.align.counters import CounterFacts, count
from watcher.align.window import SegmentFlag
from watcher.domain.instant import parse_iso
from watcher.domain.reading import Samples

# Case B3 speaks of "site 4 kWp" and five digits.
FIVE_DIGITS = CounterFacts(capacity_w=4000.0, modulus_wh=1e8, step_wh=1000.0)
FIVE_DIGITS_AND_TENTHS = CounterFacts(capacity_w=4000.0, modulus_wh=1e8, step_wh=100.0)

Typed = list[tuple[str, float]]


def typed(rows: Typed) -> Samples:
    """Readings in kWh, as a person or a display gives them."""
    return Samples.of((parse_iso(f"2026-06-{text}Z"), kwh * 1000) for text, kwh in rows)


@pytest.mark.parametrize(
    ("rows", "facts", "expected_wh"),
    [
        pytest.param([("01T12:00", 99_987), ("08T12:00", 42)], FIVE_DIGITS, 55_000.0, id="main: weekly readings"),
        pytest.param(
            [("01T12:00", 99_999.7), ("01T13:00", 0.1)], FIVE_DIGITS_AND_TENTHS, 400.0, id="d: hourly, 5+1 digits"
        ),
    ],
)
def test_case_b3_a_register_goes_round(rows: Typed, facts: CounterFacts, expected_wh: float) -> None:
    segments = count(typed(rows), facts).segments
    assert [(segment.wh, segment.flag) for segment in segments] == [
        (pytest.approx(expected_wh), SegmentFlag.ROLLED_OVER)
    ]


@pytest.mark.parametrize(
    "rows",
    [
        pytest.param([("01T12:00", 99_987), ("08T12:00", 99_942)], id="a: 45 back, round would be 99,955 kWh"),
        pytest.param([("01T12:00", 54_210), ("08T12:00", 150)], id="b: 45,940 kWh in a week"),
        pytest.param([("01T12:00", 99_987), ("02T12:00", 42)], id="c: 55 kWh in a day"),
    ],
)
def test_case_b3_a_fall_the_plant_cannot_explain_books_nothing(rows: Typed) -> None:
    counted = count(typed(rows), FIVE_DIGITS)
    assert list(counted.segments) == []
    assert counted.accepted_mwh.tolist() == [rows[0][1] * 1e6]


def test_case_b3_counting_goes_on_through_the_roll_over() -> None:
    rows = [("01T10:00", 99_998.9), ("01T11:00", 99_999.7), ("01T12:00", 0.1), ("01T13:00", 1.0)]
    counted = count(typed(rows), FIVE_DIGITS_AND_TENTHS)
    assert [segment.wh for segment in counted.segments] == [pytest.approx(wh) for wh in (800, 400, 900)]
    assert len(counted.moved_ms) == 3


@pytest.mark.parametrize(
    "later",
    [
        pytest.param([("09T12:00", 98)], id="a rise"),
        pytest.param([("09T12:00", 98), ("10T12:00", 97)], id="a rise and a fall"),
    ],
)
def test_case_b3_a_challenged_reading_is_not_accepted_later(later: Typed) -> None:
    rows = [("01T12:00", 99_987.0), ("02T12:00", 42.0), *later]
    assert list(count(typed(rows), FIVE_DIGITS).segments) == []


def test_case_c3_an_index_that_comes_twice_and_out_of_order_is_counted_once() -> None:
    arrived = [("10:00", 500.0), ("10:05", 500.2), ("10:05", 500.2), ("10:00", 500.0), ("10:10", 500.4)]
    kept: dict[str, float] = {}
    for text, kwh in arrived:  # as every store keeps them: unique by time, the first stays
        kept.setdefault(text, kwh)
    counted = count(typed([(f"21T{text}", kwh) for text, kwh in sorted(kept.items())]), FIVE_DIGITS_AND_TENTHS)
    assert len(counted.accepted_ms) == 3
    assert sum(segment.wh or 0 for segment in counted.segments) == pytest.approx(400.0)
