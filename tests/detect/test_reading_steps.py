"""The search for what happened between readings: each shape is found where it was put, and none where none was."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.align.window import Floats
from watcher.detect.reading_steps import FADING, Event, Row, Shape, explain
from watcher.domain.instant import DAY_MS

QUARTER_MS = 91 * DAY_MS
COUNT = 36
LIMIT = 7.0


def row(ratio: Floats, sigma: float = 0.04, joined: bool = True) -> Row:
    count = len(ratio)
    at = QUARTER_MS * np.arange(count + 1, dtype=np.int64)
    weight = 800e3 * (1.0 - 0.6 * np.cos(0.5 * np.pi * np.arange(count)))
    return Row(at[:-1], at[1:], ratio, np.full(count, sigma), weight, np.full(count, joined))


def healthy(seed: int = 1, count: int = COUNT) -> Floats:
    quarter = np.arange(count)
    season = 0.1 * np.cos(0.5 * np.pi * quarter)
    noise = np.random.default_rng(seed).normal(0.0, 0.03, count)
    return np.asarray(1.0 + FADING * quarter / 4.0 + season + noise)


def only(ratio: Floats) -> Event:
    (event,) = explain(row(ratio), LIMIT).events
    return event


@pytest.mark.parametrize("seed", range(12))
def test_a_healthy_row_needs_no_event(seed: int) -> None:
    assert explain(row(healthy(seed)), LIMIT).events == ()


@pytest.mark.parametrize("first", [3, 12, 24, 34])
@pytest.mark.parametrize("size", [-0.3, -0.5, -1.0, 0.4])
def test_a_lasting_step_is_found_where_it_began(first: int, size: float) -> None:
    ratio = healthy()
    ratio[first:] *= 1.0 + size
    event = max(explain(row(ratio), LIMIT).events, key=lambda event: event.evidence)
    assert (event.shape, event.last) == (Shape.STEP, COUNT - 1)
    assert event.first - event.part == pytest.approx(first, abs=0.25)
    assert event.size == pytest.approx(size, abs=0.1)
    assert abs(event.size - size) < 4.0 * event.size_sd


@pytest.mark.parametrize("part", [0.3, 0.6])
def test_a_step_inside_an_interval_leaves_its_share_there(part: float) -> None:
    ratio = healthy()
    ratio[15:] *= 0.5
    ratio[14] *= 1.0 - 0.5 * part
    event = only(ratio)
    assert event.first in (14, 15)
    assert (15, part) in event.onsets


def test_a_loss_that_ended_has_an_end() -> None:
    ratio = healthy()
    ratio[10:16] *= 0.6
    event = only(ratio)
    assert (event.first, event.last) == (10, 15)


@pytest.mark.parametrize("place", [2, 17, 33])
@pytest.mark.parametrize("kwh", [-260.0, 300.0])
def test_a_slip_takes_from_one_interval_what_it_gives_to_the_next(place: int, kwh: float) -> None:
    plain = row(healthy())
    ratio = plain.ratio.copy()
    ratio[place] += kwh * 1000.0 / plain.weight[place]
    ratio[place + 1] -= kwh * 1000.0 / plain.weight[place + 1]
    event = only(ratio)
    assert (event.shape, event.first) == (Shape.SLIP, place)
    assert event.size == pytest.approx(kwh * 1000.0, rel=0.3)


def test_no_slip_is_seen_where_two_intervals_share_no_reading() -> None:
    plain = row(healthy())
    ratio = plain.ratio.copy()
    ratio[8] += 0.5
    ratio[9] -= 0.5
    found = explain(row(ratio, joined=False), LIMIT)
    assert {event.shape for event in found.events} == {Shape.STEP}


def test_what_falls_slowly_is_no_step() -> None:
    years = np.arange(COUNT) / 4.0
    found = explain(row(np.asarray(healthy() - 0.03 * np.maximum(years - 4.0, 0.0))), LIMIT)
    assert not [event for event in found.events if event.shape is Shape.STEP]


@settings(max_examples=30, deadline=None)
@given(count=st.integers(2, 12), seed=st.integers(0, 1000), scale=st.floats(0.0, 3.0))
def test_any_row_can_be_explained(count: int, seed: int, scale: float) -> None:
    ratio = np.abs(np.random.default_rng(seed).normal(1.0, scale, count))
    found = explain(row(ratio), LIMIT)
    assert np.isfinite(found.usual).all()
    for event in found.events:
        assert event.evidence >= 0.0
        assert np.isfinite([event.size, event.size_sd]).all()
        assert (event.first, event.part) in event.onsets


def test_one_interval_tells_nothing() -> None:
    with pytest.raises(ValueError, match="one interval"):
        explain(row(healthy(count=1)), LIMIT)
