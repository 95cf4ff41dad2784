"""Gauges on the grid: which interval a sample belongs to, and since when its value may be used."""

from __future__ import annotations

import math
from array import array

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.align.gauges import gauge_on_grid
from watcher.align.window import Gauge, SampleFlag
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS, SECOND_MS, first_point_that_sees, parse_iso
from watcher.domain.quantity import QUANTITIES
from watcher.domain.reading import Samples
from watcher.domain.site import Label

START = parse_iso("2026-06-21T00:00Z")
TEN = parse_iso("2026-06-21T10:00Z")
POINTS = 288
AT_TEN = 120  # the interval that begins at 10:00


def momentary(*rows: tuple[int, float], quantity: str = "ac_power") -> Gauge:
    return gauge_on_grid(Samples.of(rows), QUANTITIES[quantity], Label.INSTANT, 0, START, POINTS)


def mean_ending(samples: Samples, period_ms: int, quantity: str = "ghi") -> Gauge:
    return gauge_on_grid(samples, QUANTITIES[quantity], Label.MEAN_ENDING, period_ms, START, POINTS)


def filled(gauge: Gauge) -> dict[int, float]:
    return {int(place): float(gauge.value[place]) for place in np.flatnonzero(~np.isnan(gauge.value))}


def late(*rows: tuple[int, float, int]) -> Samples:
    time_ms, value, known_ms = zip(*rows, strict=True)
    return Samples(array("q", time_ms), array("d", value), array("q", known_ms))


def test_momentary_values_are_averaged_over_their_interval() -> None:
    gauge = momentary((TEN, 100.0), (TEN + 2 * MINUTE_MS, 200.0), (TEN + GRID_MS, 900.0))
    assert filled(gauge) == {AT_TEN: 150.0, AT_TEN + 1: 900.0}
    assert gauge.known_ms[AT_TEN] == TEN + GRID_MS
    assert not gauge.label_ms.any()


def test_a_value_out_of_range_is_left_out_and_flagged() -> None:
    gauge = momentary((TEN, 100.0), (TEN + MINUTE_MS, 2e7), (TEN + GRID_MS, -2e7))
    assert filled(gauge) == {AT_TEN: 100.0}
    assert [SampleFlag(flag) for flag in gauge.flags[AT_TEN : AT_TEN + 3]] == [
        SampleFlag.OUT_OF_RANGE,
        SampleFlag.OUT_OF_RANGE,
        SampleFlag.NONE,
    ]


def test_samples_outside_the_window_are_left_alone() -> None:
    assert filled(momentary((START - 1, 5.0), (START + POINTS * GRID_MS, 7.0))) == {}


@pytest.mark.parametrize(
    ("quantity", "values", "expected"),
    [
        pytest.param("operating_state", (2, 4), 4, id="the last state, none between two"),
        pytest.param("event_bits", (0b0001, 0b0100, 0), 0b0101, id="every bit that was set"),
        pytest.param("energy_today", (27_300, 27_400), 27_400, id="the last of a day's register"),
        pytest.param("temp_air", (10, 11), 10.5, id="the mean of a gauge"),
    ],
)
def test_several_samples_come_to_what_their_kind_says(
    quantity: str, values: tuple[float, ...], expected: float
) -> None:
    rows = [(TEN + place * MINUTE_MS, float(value)) for place, value in enumerate(values)]
    assert filled(momentary(*rows, quantity=quantity)) == {AT_TEN: expected}


@pytest.mark.parametrize(
    ("after_ten_ms", "place"),
    [
        pytest.param(0, AT_TEN - 1, id="labelled 10:00: the minute before ten"),
        pytest.param(MINUTE_MS, AT_TEN, id="labelled 10:01"),
        pytest.param(GRID_MS, AT_TEN, id="labelled 10:05: the interval that ends there"),
        pytest.param(GRID_MS + 1, AT_TEN + 1, id="labelled just after"),
    ],
)
def test_a_short_mean_lies_before_its_label(after_ten_ms: int, place: int) -> None:
    gauge = mean_ending(Samples.of([(TEN + after_ten_ms, 300.0)]), MINUTE_MS)
    assert filled(gauge) == {place: 300.0}
    assert gauge.known_ms[place] == START + (place + 1) * GRID_MS


def test_an_hourly_mean_fills_the_hour_before_its_label() -> None:
    gauge = mean_ending(Samples.of([(TEN, 300.0)]), HOUR_MS)
    assert filled(gauge) == dict.fromkeys(range(AT_TEN - 12, AT_TEN), 300.0)
    assert set(gauge.known_ms[AT_TEN - 12 : AT_TEN].tolist()) == {TEN}
    assert set(gauge.label_ms[AT_TEN - 12 : AT_TEN].tolist()) == {TEN}
    assert gauge.known_ms[AT_TEN] == TEN + HOUR_MS  # until then the next could still come
    assert gauge.label_ms[AT_TEN] == 0


def test_a_gap_in_hourly_means_stays_a_gap() -> None:
    gauge = mean_ending(Samples.of([(TEN, 300.0), (TEN + 2 * HOUR_MS, 500.0)]), HOUR_MS)
    assert sorted(filled(gauge)) == [*range(AT_TEN - 12, AT_TEN), *range(AT_TEN + 12, AT_TEN + 24)]


def test_labels_off_the_grid_leave_neither_hole_nor_overlap() -> None:
    rows = [(TEN + 7 * MINUTE_MS + hour * HOUR_MS, float(hour)) for hour in range(3)]
    gauge = mean_ending(Samples.of(rows), HOUR_MS)
    # 09:07 to 10:07 holds the middles 09:07:30 to 10:02:30.
    assert list(filled(gauge).values()) == [0.0] * 12 + [1.0] * 12 + [2.0] * 12
    assert min(filled(gauge)) == AT_TEN - 11
    assert gauge.known_ms[AT_TEN - 11] == TEN + 2 * GRID_MS


def test_a_mean_labelled_after_the_window_fills_its_end_but_is_known_later() -> None:
    end_ms = START + POINTS * GRID_MS
    gauge = mean_ending(Samples.of([(end_ms + 30 * MINUTE_MS, 5.0)]), HOUR_MS)
    assert sorted(filled(gauge)) == list(range(POINTS - 6, POINTS))
    assert gauge.known_ms[-1] == end_ms + 30 * MINUTE_MS


def test_a_mean_that_came_late_is_known_when_it_came() -> None:
    came_ms = TEN + 3 * HOUR_MS + 17 * SECOND_MS
    gauge = mean_ending(late((TEN, 300.0, came_ms)), HOUR_MS)
    assert set(gauge.known_ms[AT_TEN - 12 : AT_TEN].tolist()) == {first_point_that_sees(came_ms)}


def test_a_forecast_is_known_before_its_hour_is_over_but_not_before_it_came() -> None:
    came_ms = TEN - 31 * MINUTE_MS
    gauge = mean_ending(late((TEN, 300.0, came_ms)), HOUR_MS)
    ends = [TEN - HOUR_MS + place * GRID_MS for place in range(1, 13)]
    assert gauge.known_ms[AT_TEN - 12 : AT_TEN].tolist() == [max(end, first_point_that_sees(came_ms)) for end in ends]


def test_a_mean_out_of_range_leaves_its_period_empty_and_flagged() -> None:
    gauge = mean_ending(Samples.of([(TEN, 9_000.0), (TEN + HOUR_MS, 1.0)]), HOUR_MS)
    assert sorted(filled(gauge)) == list(range(AT_TEN, AT_TEN + 12))
    assert np.flatnonzero(gauge.flags).tolist() == list(range(AT_TEN - 12, AT_TEN))


def test_no_samples_make_an_empty_gauge() -> None:
    assert filled(momentary()) == filled(mean_ending(Samples(), HOUR_MS)) == {}


SAMPLES = st.lists(st.tuples(st.integers(1, 40 * MINUTE_MS), st.floats(-30, 2100)), min_size=1, max_size=60)


@given(SAMPLES, st.integers(0, 60), st.sampled_from([0, 60_000, 900_000, 3_600_000]), st.sampled_from(Label))
@settings(max_examples=150, deadline=None)
def test_what_may_be_used_at_a_grid_point_no_later_sample_changes(
    steps: list[tuple[int, float]], cut: int, period_ms: int, label: Label
) -> None:
    rows, at_ms = [], START
    for step_ms, value in steps:
        at_ms += step_ms
        rows.append((at_ms, value))
    whole, part = (
        gauge_on_grid(Samples.of(some), QUANTITIES["ghi"], label, period_ms, START, POINTS)
        for some in (rows, rows[:cut])
    )
    next_ms = rows[cut][0] if cut < len(rows) else START + POINTS * GRID_MS
    point_ms = next_ms // GRID_MS * GRID_MS - (GRID_MS if next_ms % GRID_MS == 0 and label is Label.MEAN_ENDING else 0)
    usable = slice(0, max(0, (point_ms - START) // GRID_MS))
    for mine, other in ((part, whole), (whole, part)):
        seen = np.where(mine.known_ms[usable] <= point_ms, mine.value[usable], math.nan)
        against = np.where(other.known_ms[usable] <= point_ms, other.value[usable], math.nan)
        np.testing.assert_array_equal(seen, against)


@given(SAMPLES)
@settings(max_examples=50, deadline=None)
def test_a_mean_lies_between_the_samples_it_is_the_mean_of(steps: list[tuple[int, float]]) -> None:
    rows, at_ms = [], START
    for step_ms, value in steps:
        at_ms += step_ms
        rows.append((at_ms, value))
    gauge = gauge_on_grid(Samples.of(rows), QUANTITIES["ghi"], Label.INSTANT, 0, START, POINTS)
    for place, mean in filled(gauge).items():
        inside = [v for t, v in rows if (t - START) // GRID_MS == place and -20 <= v <= 2000]
        assert min(inside) - 1e-9 <= mean <= max(inside) + 1e-9
