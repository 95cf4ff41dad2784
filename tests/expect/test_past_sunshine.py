"""Past sunshine: hours in a row, whatever they were put together from."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.expect.expectation import Basis
from watcher.expect.past_sunshine import PastSunshine, joined, past_sunshine

NOON = parse_iso("2022-06-21T12:00:00Z")


def hours(*ghi: float | None, at_ms: int = NOON, basis: Basis = Basis.SATELLITE) -> PastSunshine:
    """Hours from an end on; None is not told."""
    told = {at_ms + at * HOUR_MS: value for at, value in enumerate(ghi) if value is not None}
    return past_sunshine({"ghi": told}, basis)


def test_hours_stand_in_a_row_and_what_was_not_told_is_not_known() -> None:
    found = hours(500.0, None, 700.0)
    assert found.hour_ending_ms.tolist() == [NOON, NOON + HOUR_MS, NOON + 2 * HOUR_MS]
    np.testing.assert_array_equal(found.ghi, [500.0, np.nan, 700.0])
    assert found.basis.tolist() == [Basis.SATELLITE, Basis.NONE, Basis.SATELLITE]
    assert np.isnan(found.temp_air).all()
    assert found.known() == pytest.approx(2 / 3)


def test_a_night_offset_below_zero_is_darkness() -> None:
    assert hours(-4.0, 0.0).ghi.tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("from_ms", "until_ms", "ends"),
    [
        pytest.param(NOON - HOUR_MS, NOON, [NOON], id="one hour from its start to its end"),
        pytest.param(NOON, NOON, [], id="no time, no hour"),
        pytest.param(NOON - 1, NOON + HOUR_MS - 1, [NOON], id="an hour belongs where it ends"),
        pytest.param(NOON, NOON + 2 * HOUR_MS, [NOON + HOUR_MS, NOON + 2 * HOUR_MS], id="beyond what is held"),
    ],
)
def test_a_stretch_has_every_hour_that_ends_in_it(from_ms: int, until_ms: int, ends: list[int]) -> None:
    assert hours(500.0, 600.0).over(from_ms, until_ms).hour_ending_ms.tolist() == ends


def test_hours_outside_what_is_held_are_not_known() -> None:
    found = hours(500.0).over(NOON - 2 * HOUR_MS, NOON + HOUR_MS)
    np.testing.assert_array_equal(found.ghi, [np.nan, 500.0, np.nan])


def test_of_two_records_the_first_that_knows_an_hour_is_taken() -> None:
    both = joined([hours(500.0, None), hours(400.0, 300.0, 200.0, basis=Basis.WEATHER)])
    assert both.ghi.tolist() == [500.0, 300.0, 200.0]
    assert both.basis.tolist() == [Basis.SATELLITE, Basis.WEATHER, Basis.WEATHER]


def test_an_hour_is_never_mixed_of_two_records() -> None:
    warm = past_sunshine({"ghi": {NOON: 300.0}, "temp_air": {NOON: 21.0}}, Basis.WEATHER)
    assert np.isnan(joined([hours(500.0), warm]).temp_air).all()


def test_joining_nothing_gives_no_hours() -> None:
    assert joined([]).known() == 0.0
    assert len(joined([past_sunshine({}, Basis.SATELLITE)]).ghi) == 0


@pytest.mark.parametrize(
    ("change", "text"),
    [
        pytest.param({"ghi": np.zeros(3)}, "different length", id="lengths"),
        pytest.param({"hour_ending_ms": np.array([NOON, NOON + 2 * HOUR_MS])}, "in a row", id="a hole"),
        pytest.param({"hour_ending_ms": np.array([NOON + 1, NOON + 1 + HOUR_MS])}, "whole", id="not on the hour"),
        pytest.param({"ghi": np.array([1.0, np.nan])}, "basis", id="a basis without a value"),
    ],
)
def test_what_is_no_row_of_hours_is_refused(change: dict[str, np.ndarray], text: str) -> None:
    good = hours(1.0, 2.0)
    columns = {name: getattr(good, name) for name in ("hour_ending_ms", "ghi", "temp_air", "wind_speed", "basis")}
    with pytest.raises(ValueError, match=text):
        PastSunshine(**{**columns, **change})


def test_a_clear_sky_is_no_source_of_sunshine() -> None:
    with pytest.raises(ValueError, match="no source"):
        hours(1.0, basis=Basis.CLEAR_SKY)


@given(
    told=st.lists(st.one_of(st.none(), st.floats(0, 1200)), min_size=1, max_size=60).filter(any),
    cut=st.integers(0, 60),
)
def test_cutting_and_joining_changes_nothing(told: list[float | None], cut: int) -> None:
    whole = hours(*told)
    first_ms, last_ms = int(whole.hour_ending_ms[0]) - HOUR_MS, int(whole.hour_ending_ms[-1])
    middle_ms = min(first_ms + cut * HOUR_MS, last_ms)
    again = joined([whole.over(first_ms, middle_ms), whole.over(middle_ms, last_ms)])
    for one, other in zip(
        (whole.hour_ending_ms, *whole.columns()), (again.hour_ending_ms, *again.columns()), strict=True
    ):
        np.testing.assert_array_equal(one, other)
