"""The counter fold: what stands between two readings."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from watcher.align.counters import Counted, CounterFacts, Restart, count
from watcher.align.segments import Segments
from watcher.align.window import CounterSegment, SegmentFlag
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Samples

COUNTED, DIPPED, ROLLED, RESTARTED, JUMPED = (
    SegmentFlag.COUNTED,
    SegmentFlag.DIPPED,
    SegmentFlag.ROLLED_OVER,
    SegmentFlag.RESTARTED,
    SegmentFlag.JUMPED,
)
START = parse_iso("2026-06-21T00:00Z")
HOME = CounterFacts(capacity_w=3680.0, step_wh=1.0)


def readings(*values_wh: float, every_ms: int = 5 * MINUTE_MS) -> Samples:
    return Samples.of((START + place * every_ms, value) for place, value in enumerate(values_wh))


def steps(counted: Counted) -> list[tuple[float | None, SegmentFlag]]:
    return [(segment.wh, segment.flag) for segment in counted.segments]


def total_wh(counted: Counted) -> float:
    return sum(segment.wh or 0.0 for segment in counted.segments)


@pytest.mark.parametrize(
    ("values_wh", "expected"),
    [
        pytest.param((), [], id="nothing"),
        pytest.param((1_000,), [], id="one reading is no energy"),
        pytest.param((1_000, 1_250), [(250, COUNTED)], id="counts up"),
        pytest.param((1_000, 1_000), [(0, COUNTED)], id="stands still"),
        pytest.param((812_000, 3), [], id="a fall is only a fall until evidence says restart"),
        pytest.param((5_000, 4_990), [], id="a small step back is noise, not energy"),
        pytest.param((5_000, 4_990, 5_001), [(1, DIPPED)], id="a small step back that is made good"),
        pytest.param((5_000, 0, 0, 5_000), [(0, DIPPED)], id="zero for a while, then the old value"),
        pytest.param((5_000, 0, 17, 300, 5_004, 5_010), [(4, DIPPED), (6, COUNTED)], id="rubbish on the way back"),
        pytest.param((5_000, 0, 90_000), [(None, JUMPED)], id="a return far above what the plant can make"),
        pytest.param((1_000, 90_000, 90_100), [(None, JUMPED), (100, COUNTED)], id="a leap is a new baseline"),
        pytest.param((1_000, 90_000, 1_020), [(None, JUMPED), (20, DIPPED)], id="a leap taken back was a misreading"),
        pytest.param(
            (1_000, 90_000, 90_000, 1_020, 1_030),
            [(None, JUMPED), (0, COUNTED), (20, DIPPED), (10, COUNTED)],
            id="a leap taken back later",
        ),
        pytest.param(
            (1_000, 90_000, 90_100, 1_020),
            [(None, JUMPED), (100, COUNTED)],
            id="a leap that has been counted on is not undone",
        ),
        pytest.param(
            (5_000, 0, 90_000, 5_010),
            [(None, JUMPED), (10, DIPPED)],
            id="a leap out of a dip, taken back",
        ),
        pytest.param(
            (1_000, 90_000, 89_990, 90_000, 1_020),
            [(None, JUMPED), (0, DIPPED)],
            id="a leap that has since dipped is not undone",
        ),
        pytest.param((5_000, -1, 5_100), [(100, COUNTED)], id="out of range is no reading"),
        pytest.param((5_000, 2e13, 5_100), [(100, COUNTED)], id="a sentinel is no reading"),
        pytest.param((500.2, 500.4, 500.7), [(0.2, COUNTED), (0.3, COUNTED)], id="tenths of a watt-hour"),
    ],
)
def test_five_minute_readings_become_segments(
    values_wh: Sequence[float], expected: list[tuple[float | None, SegmentFlag]]
) -> None:
    assert steps(count(readings(*values_wh), HOME)) == expected


def test_without_a_rating_no_rise_is_too_steep() -> None:
    assert steps(count(readings(0, 1e9), CounterFacts())) == [(1e9, COUNTED)]


def test_a_register_refreshed_once_a_quarter_is_not_too_steep() -> None:
    minute_readings = readings(0, 0, 0, 920, every_ms=MINUTE_MS)  # 15 minutes of 3.68 kW in the last minute
    assert total_wh(count(minute_readings, HOME)) == 920


def test_a_whole_night_at_full_power_is_too_steep_unless_a_battery_stands_behind() -> None:
    day = readings(0, 60_000, every_ms=DAY_MS)
    assert steps(count(day, HOME)) == [(None, JUMPED)]
    assert steps(count(day, CounterFacts(capacity_w=3680.0, full_hours=24.0))) == [(60_000, COUNTED)]


def test_pulses_are_counted_in_the_energy_they_are_worth() -> None:
    facts = CounterFacts(capacity_w=3680.0, wh_per_count=1000 / 3200)
    assert steps(count(readings(10, 26), facts)) == [(5.0, COUNTED)]  # 16 x 0.3125 Wh


def low_series(first_wh: float, every_ms: int, growth_wh: float, length: int) -> list[tuple[int, float]]:
    return [(START + place * every_ms, first_wh + place * growth_wh) for place in range(length)]


@pytest.mark.parametrize(
    ("every_ms", "length", "decided_after"),
    [
        pytest.param(5 * MINUTE_MS, 20, 12, id="five minutes: after an hour"),
        pytest.param(MINUTE_MS, 70, 60, id="a minute: after an hour"),
        pytest.param(HOUR_MS, 5, 2, id="an hour: after two rises"),
    ],
)
def test_a_low_series_that_grows_by_itself_is_a_restart(every_ms: int, length: int, decided_after: int) -> None:
    rows = [(START - MINUTE_MS, 48_210_650.0), *low_series(5.0, every_ms, 10.0, length)]
    undecided = count(Samples.of(rows[: decided_after + 1]), HOME)
    assert list(undecided.segments) == []
    decided = list(count(Samples.of(rows), HOME).segments)
    assert decided[0] == CounterSegment(START, START + decided_after * every_ms, decided_after * 10.0, RESTARTED)
    assert sum(segment.wh or 0 for segment in decided) == (length - 1) * 10.0


def test_a_low_series_that_stands_still_decides_nothing() -> None:
    assert steps(count(readings(5_000, *[7.0] * 200), HOME)) == []
    assert steps(count(readings(5_000, 7.0, *[8.0] * 200), HOME)) == []


def test_a_register_that_runs_backwards_books_nothing() -> None:
    assert steps(count(readings(*range(5_000, 4_000, -10)), HOME)) == []


def test_a_dip_inside_a_new_series_invents_nothing() -> None:
    # The new series stands at 300 to 310; counted from the zero inside it, 315 Wh would be made up.
    rows = [START - MINUTE_MS, *(START + place * 5 * MINUTE_MS for place in range(16))]
    values = [48_210_650.0, 300, 305, 310, 0, *range(311, 323)]
    counted = count(Samples.of(zip(rows, values, strict=True)), HOME)
    assert 0 < total_wh(counted) <= 22
    assert counted.segments[0].flag is RESTARTED


def test_an_announced_restart_is_believed_at_the_next_reading() -> None:
    told = Restart(START + 5 * MINUTE_MS, START + 5 * MINUTE_MS)
    counted = count(readings(48_210_650, 2, 4, 11), HOME, [told])
    assert steps(counted) == [(2, RESTARTED), (7, COUNTED)]
    assert counted.segments[0].start_ms == START + 5 * MINUTE_MS


def test_an_announced_restart_is_not_believed_before_it_is_known() -> None:
    told = Restart(START + 5 * MINUTE_MS, START + 15 * MINUTE_MS)
    counted = count(readings(48_210_650, 2, 4, 11, 12), HOME, [told])
    assert steps(counted) == [(9, RESTARTED), (1, COUNTED)]


def test_a_restart_before_the_fall_does_not_explain_it() -> None:
    assert steps(count(readings(900, 1_000, 2, 4), HOME, [Restart(START + 1, START + 1)])) == [(None, RESTARTED)]
    assert steps(count(readings(900, 1_000, 2, 4), HOME, [Restart(START, START)])) == [(100, COUNTED)]


@pytest.mark.parametrize(
    ("values_wh", "told_min", "known_min", "expected"),
    [
        pytest.param((50, 10, 60), 7, 7, [(50, RESTARTED)], id="a new series that passes the old value is no dip"),
        pytest.param((1_000, 90_000, 1_020, 1_025), 7, 7, [(None, JUMPED), (5, RESTARTED)], id="no leap taken back"),
        pytest.param((1_000, 1_010, 1_020), 3, 12, [(10, COUNTED), (10, COUNTED)], id="what was decided stays decided"),
    ],
)
def test_an_announced_restart_goes_before_other_stories(
    values_wh: Sequence[float], told_min: int, known_min: int, expected: list[tuple[float | None, SegmentFlag]]
) -> None:
    told = Restart(START + told_min * MINUTE_MS, START + known_min * MINUTE_MS)
    assert steps(count(readings(*values_wh), HOME, [told])) == expected


def test_a_new_meter_that_starts_higher_gives_no_energy() -> None:
    told = Restart(START + 3 * MINUTE_MS, START + 3 * MINUTE_MS)
    assert steps(count(readings(1_000, 1_200, 1_210), HOME, [told])) == [(None, RESTARTED), (10, COUNTED)]


# Reference-values 3.3, "Indexes and roll-over": own arithmetic.
@pytest.mark.parametrize(
    ("digits", "before_kwh", "after_kwh", "expected_kwh"),
    [
        pytest.param(5, 99_998.7, 2.1, 3.4, id="5+1 digits"),
        pytest.param(5, 99_999, 3, 4, id="5 digits"),
        pytest.param(6, 999_999, 3, 4, id="6 digits"),
        pytest.param(6, 999_998.7, 2.1, 3.4, id="6+1 digits"),
    ],
)
def test_a_meter_rolls_over_at_the_number_of_its_digits(
    digits: int, before_kwh: float, after_kwh: float, expected_kwh: float
) -> None:
    facts = CounterFacts(capacity_w=3680.0, modulus_wh=1000 * 10.0**digits, step_wh=100.0)
    day = readings(before_kwh * 1000, after_kwh * 1000, every_ms=DAY_MS)
    assert steps(count(day, facts)) == [(pytest.approx(expected_kwh * 1000), ROLLED)]


# 32 bits of Wh go round after 4 294 967.296 kWh: reference-values 3.3, own arithmetic.
def test_an_accumulator_rolls_over_at_32_bits() -> None:
    facts = CounterFacts(capacity_w=3680.0, modulus_wh=2.0**32)
    counted = count(readings(4_294_967_000, 204, 210, every_ms=HOUR_MS), facts)
    assert steps(counted) == [(500, ROLLED), (6, COUNTED)]


@pytest.mark.parametrize(
    "facts",
    [
        pytest.param(CounterFacts(capacity_w=3680.0), id="no known modulus"),
        pytest.param(CounterFacts(modulus_wh=1e8), id="no known rating"),
        pytest.param(CounterFacts(capacity_w=3680.0, modulus_wh=1e7), id="a register that holds more than its display"),
    ],
)
def test_a_roll_over_needs_modulus_and_rating(facts: CounterFacts) -> None:
    assert steps(count(readings(99_999_700, 100, every_ms=HOUR_MS), facts)) == []


def test_an_announced_exchange_is_not_taken_for_a_roll_over() -> None:
    facts = CounterFacts(capacity_w=3680.0, modulus_wh=1e8, step_wh=100.0)
    told = Restart(START + MINUTE_MS, START + MINUTE_MS)
    counted = count(readings(99_999_700, 200, 300, every_ms=HOUR_MS), facts, [told])
    assert steps(counted) == [(100, RESTARTED)]


def test_a_wake_up_zero_close_to_the_modulus_is_no_roll_over() -> None:
    facts = CounterFacts(capacity_w=3680.0, modulus_wh=1e8, step_wh=100.0)
    assert steps(count(readings(99_999_700, 0, 0, 99_999_800), facts)) == [(100, DIPPED)]
    assert steps(count(readings(99_999_700, 0, 100), facts)) == [(400, ROLLED)]
    assert steps(count(readings(99_999_700, 99_999_600, 0, 100), facts)) == [(400, ROLLED)]


@pytest.mark.parametrize(
    ("values_wh", "moved_at"),
    [
        pytest.param((5_000, 5_000, 5_010), [2], id="a rise"),
        pytest.param((5_000, 0, 5_000), [], id="back from a dip to the old value"),
        pytest.param((5_000, 0, 5_001), [2], id="back from a dip and on"),
        pytest.param((1_000, 90_000, 1_000), [1], id="a leap taken back"),
        pytest.param((5_000, 7, 8, 9), [2, 3], id="a low series"),
    ],
)
def test_only_a_register_that_moves_on_has_moved(values_wh: Sequence[float], moved_at: list[int]) -> None:
    counted = count(readings(*values_wh), HOME)
    assert counted.moved_ms.tolist() == [START + place * 5 * MINUTE_MS for place in moved_at]


def test_segments_come_in_columns_and_as_rows() -> None:
    segments = count(readings(1_000, 90_000, 90_100, 90_150), HOME).segments
    assert list(Segments.of(tuple(segments))) == list(segments)
    assert list(segments[1:]) == list(segments)[1:]
    assert segments[-1] == CounterSegment(START + 10 * MINUTE_MS, START + 15 * MINUTE_MS, 50.0, COUNTED)
    assert Segments.of(segments) is segments


# What may happen to a register between two readings, and what of it can be known afterwards.
EVENTS = st.sampled_from(
    ["count", "count", "count", "still", "gap", "zero", "rubbish", "step-back", "round", "restart"]
)
FACTS = CounterFacts(capacity_w=3680.0, modulus_wh=1e8, step_wh=1.0)


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[tuple[int, float]], list[Restart], int]:
    """Readings of a register that counts a true energy, told restarts, and that energy. [Wh]"""
    at_ms, true_wh, offset = START, 0, draw(st.sampled_from([50_000, 99_999_000]))
    rows, restarts = [(at_ms, float(offset))], []
    for event in draw(st.lists(EVENTS, min_size=1, max_size=60)):
        at_ms += draw(st.sampled_from([MINUTE_MS, 5 * MINUTE_MS, 17 * MINUTE_MS]))
        shown = (offset + true_wh) % 100_000_000
        if event == "zero":
            rows.append((at_ms, 0.0))
        elif event == "rubbish":
            rows.append((at_ms, float(draw(st.integers(0, max(0, shown - 1))))))
        elif event == "step-back":
            rows.append((at_ms, float(max(0, shown - draw(st.integers(1, 20))))))
        else:
            if event == "restart":
                offset = draw(st.integers(0, 40_000)) - true_wh
                restarts.append(Restart(at_ms, at_ms))
            elif event == "gap":
                at_ms += draw(st.sampled_from([HOUR_MS, 30 * HOUR_MS]))
            if event in ("count", "gap"):
                true_wh += draw(st.integers(0, 60))
            rows.append((at_ms, float((offset + true_wh) % 100_000_000)))
    return rows, restarts, true_wh


@given(histories())
@settings(max_examples=150, deadline=None)
def test_whatever_a_register_does_no_energy_is_negative_or_overlaps(
    history: tuple[list[tuple[int, float]], list[Restart], int],
) -> None:
    rows, restarts, _ = history
    counted = count(Samples.of(rows), FACTS, restarts)
    segments = list(counted.segments)
    assert all(segment.wh is None or segment.wh >= 0 for segment in segments)
    assert all(segment.start_ms < segment.end_ms for segment in segments)
    assert all(before.end_ms <= after.start_ms for before, after in pairwise(segments))
    assert {segment.end_ms for segment in segments} <= {at_ms for at_ms, _ in rows}


@given(histories(), st.integers(1, 60))
@settings(max_examples=150, deadline=None)
def test_what_a_reading_decided_no_later_reading_changes(
    history: tuple[list[tuple[int, float]], list[Restart], int], cut: int
) -> None:
    rows, restarts, _ = history
    whole, part = count(Samples.of(rows), FACTS, restarts), count(Samples.of(rows[:cut]), FACTS, restarts)
    last_ms = rows[:cut][-1][0]
    assert list(part.segments) == [segment for segment in whole.segments if segment.end_ms <= last_ms]
    assert part.moved_ms.tolist() == [at_ms for at_ms in whole.moved_ms.tolist() if at_ms <= last_ms]


QUIET = st.lists(st.tuples(st.sampled_from(["count", "zero", "step-back"]), st.integers(0, 60)), max_size=80)


@given(QUIET, st.sampled_from([50_000, 99_999_500]))
@example([("zero", 0), ("count", 5)], 99_999_500)
@settings(max_examples=150, deadline=None)
def test_dips_and_roll_overs_leave_the_total_true(events: list[tuple[str, int]], offset: int) -> None:
    # Every other reading is true, so no false one lasts for an hour.
    rows, true_wh = [(START, float(offset))], 0
    for place, (event, amount) in enumerate(events):
        at_ms = START + (2 * place + 1) * 5 * MINUTE_MS
        shown = (offset + true_wh) % 100_000_000
        if event == "zero" and shown < offset:
            event = "count"  # after the roll-over a zero and a return are the same as counting
        if event == "zero":
            rows.append((at_ms, 0.0))
        elif event == "step-back" and shown >= offset:
            rows.append((at_ms, float(shown - min(amount, shown))))
        true_wh += amount
        rows.append((at_ms + 5 * MINUTE_MS, float((offset + true_wh) % 100_000_000)))
    # A register that stops at exactly zero decides nothing; the next watt-hour does.
    true_wh += 2 if (offset + true_wh + 1) % 100_000_000 == 0 else 1
    rows.append((rows[-1][0] + 5 * MINUTE_MS, float((offset + true_wh) % 100_000_000)))
    assert total_wh(count(Samples.of(rows), FACTS)) == true_wh


@given(
    st.lists(st.integers(0, 300), min_size=14, max_size=60),
    st.integers(0, 30_000),
    st.integers(1, 40),
)
@settings(max_examples=100, deadline=None)
def test_an_untold_restart_is_never_worth_more_than_what_was_counted(
    growth: list[int], first_wh: int, before: int
) -> None:
    old = [10_000_000 + 10 * place for place in range(before)]
    new = [first_wh]
    for amount in growth:
        new.append(new[-1] + amount)
    counted = count(readings(*old, *new), HOME)
    known = 10 * (before - 1) + sum(growth)
    rises = sum(amount > 0 for amount in growth)
    assert total_wh(counted) <= known
    if rises >= 2:
        assert total_wh(counted) == known
