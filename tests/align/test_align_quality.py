"""Power samples that are no measurement: beyond the plant, stuck, or standing alone among their neighbours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.align.gauges import gauge_on_grid
from watcher.align.quality import PowerFacts, power_flags
from watcher.align.window import SampleFlag
from watcher.domain.instant import MINUTE_MS, parse_iso
from watcher.domain.quantity import QUANTITIES
from watcher.domain.reading import Samples
from watcher.domain.site import Label

TEN = parse_iso("2026-06-21T10:00Z")
RATING = 3680.0


def flags_of(values: list[float], minutes: float = 5.0, period: float = 0.0) -> list[int]:
    time = TEN + (np.arange(len(values)) * minutes * MINUTE_MS).astype(np.int64)
    flags, _ = power_flags(time, np.array(values), PowerFacts(RATING, round(period * MINUTE_MS)))
    return [int(flag) for flag in flags]


@pytest.mark.parametrize(
    ("value", "flag"),
    [
        pytest.param(3860.0, 0, id="a cloud edge for ten seconds (case F4)"),
        pytest.param(3690.0, 0, id="the plateau of a limited inverter"),
        pytest.param(4300.0, SampleFlag.OUT_OF_RANGE, id="more than the inverter can give"),
        pytest.param(-150.0, 0, id="own consumption at night"),
        pytest.param(-400.0, SampleFlag.OUT_OF_RANGE, id="a house inverter does not draw that"),
        pytest.param(0.0, 0, id="night"),
    ],
)
def test_what_a_plant_can_do_bounds_its_power(value: float, flag: int) -> None:
    assert flags_of([value]) == [flag]


def test_one_figure_is_stuck_once_it_has_stood_for_ninety_minutes() -> None:
    found = flags_of([1500.0, 1490.0] + [1480.0] * 24)
    assert found[: 2 + 18] == [0] * 20
    assert found[2 + 18 :] == [SampleFlag.STUCK] * 6


def test_a_mean_that_comes_a_fourth_time_is_stuck() -> None:
    assert flags_of([1500.0] + [1480.0] * 5, minutes=15.0, period=15.0) == [0] * 4 + [SampleFlag.STUCK] * 2


@pytest.mark.parametrize("level", [0.0, 5.0, 3680.0, 3600.0])
def test_rest_and_the_inverters_own_limit_are_not_stuck(level: float) -> None:
    assert set(flags_of([level] * 40)) == {0}


def test_a_mean_alone_among_its_neighbours_is_left_out_and_waits_for_the_next() -> None:
    quarter = 15 * MINUTE_MS
    rows = [(TEN + k * quarter, value) for k, value in enumerate([3000.0, 3100.0, 200.0, 2950.0, 2900.0])]
    facts = PowerFacts(RATING, quarter)
    gauge = gauge_on_grid(
        Samples.of(rows), QUANTITIES["ac_power"], Label.MEAN_ENDING, quarter, TEN - quarter, 3 * 5, facts
    )
    alone = slice(6, 9)  # the three intervals before the third label
    assert np.isnan(gauge.value[alone]).all()
    assert set(gauge.flags[alone].tolist()) == {int(SampleFlag.OUTLIER)}
    # Not known before its successor has told; its neighbours are known in time.
    assert set(gauge.known_ms[alone].tolist()) == {TEN + 3 * quarter}
    assert set(gauge.known_ms[3:6].tolist()) == {TEN + quarter}


def test_momentary_values_may_leap_with_the_clouds() -> None:
    assert set(flags_of([3000.0, 3100.0, 200.0, 2950.0], minutes=1.0)) == {0}


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([0.0, 100.0, 900.0, 900.0, 1800.0, 3600.0, 9000.0, -900.0]), max_size=60), st.data())
def test_what_is_said_of_a_sample_never_hangs_on_a_later_one(values: list[float], data: st.DataObject) -> None:
    kept = data.draw(st.integers(0, len(values)))
    assert flags_of(values)[:kept] == flags_of(values[:kept])


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from([0.0, 300.0, 3000.0, 3100.0]), min_size=2, max_size=30), st.data())
def test_a_mean_already_known_does_not_change_when_more_come(values: list[float], data: st.DataObject) -> None:
    quarter = 15 * MINUTE_MS
    kept = data.draw(st.integers(1, len(values)))
    points = 3 * len(values)

    def gauge(count: int) -> tuple[np.ndarray, np.ndarray]:
        rows = [(TEN + (k + 1) * quarter, value) for k, value in enumerate(values[:count])]
        made = gauge_on_grid(
            Samples.of(rows),
            QUANTITIES["ac_power"],
            Label.MEAN_ENDING,
            quarter,
            TEN,
            points,
            PowerFacts(RATING, quarter),
        )
        return made.value, made.known_ms

    value, known = gauge(kept)
    later_value, later_known = gauge(len(values))
    now_ms = TEN + kept * quarter
    usable = known <= now_ms
    assert (usable == (later_known <= now_ms)).all()
    np.testing.assert_array_equal(value[usable], later_value[usable])
