"""Where a home is put, and how often a service may be asked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.weather.manners import (
    FIRST_PAUSE_MS,
    LONGEST_PAUSE_MS,
    Limits,
    Manners,
    NotNow,
    pause_ms,
    share,
    turn_ms,
)
from watcher.collect.weather.question import Cell, cell_of
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso

NOON = parse_iso("2026-06-21T12:00Z")
LIMITS = Limits(spacing_s=2, calls_a_day=3)


@pytest.mark.parametrize(
    ("place", "grid_deg", "cell"),
    [
        pytest.param((53.4371, -1.4622), 0.5, Cell(53.5, -1.5), id="to the nearest point"),
        pytest.param((53.4371, -1.4622), 0.1, Cell(53.4, -1.5), id="of the service's grid"),
        pytest.param((51.4, -0.02), 0.05, Cell(51.4, 0.0), id="without a minus zero"),
        pytest.param((-33.13, 151.26), 0.25, Cell(-33.25, 151.25), id="in the south-east too"),
    ],
)
def test_a_home_is_put_on_the_grid(place: tuple[float, float], grid_deg: float, cell: Cell) -> None:
    assert cell_of(*place, grid_deg) == cell
    assert "-0.0" not in str(cell_of(*place, grid_deg))


@given(st.floats(-90, 90), st.floats(-180, 180), st.sampled_from([0.01, 0.05, 0.1, 0.25, 0.5, 1.0]))
def test_no_home_is_moved_by_more_than_half_a_cell(latitude: float, longitude: float, grid_deg: float) -> None:
    cell = cell_of(latitude, longitude, grid_deg)
    assert abs(cell.latitude_deg - latitude) <= grid_deg / 2 + 1e-4
    assert abs(cell.longitude_deg - longitude) <= grid_deg / 2 + 1e-4
    assert cell_of(*cell, grid_deg) == cell


def test_a_service_never_asked_may_be_asked() -> None:
    assert Manners().not_now(NOON, LIMITS) is None


def test_two_questions_keep_their_distance() -> None:
    manners = Manners()
    manners.ask(NOON)
    assert manners.not_now(NOON + 1_999, LIMITS) is NotNow.SPACING
    assert manners.not_now(NOON + 2_000, LIMITS) is None


def test_the_days_questions_can_be_used_up_and_the_next_day_brings_new_ones() -> None:
    manners = Manners()
    for minute in range(3):
        assert manners.not_now(NOON + minute * MINUTE_MS, LIMITS) is None
        manners.ask(NOON + minute * MINUTE_MS)
    assert manners.not_now(NOON + HOUR_MS, LIMITS) is NotNow.SPENT
    assert manners.not_now(NOON + 12 * HOUR_MS - 1, LIMITS) is NotNow.SPENT
    assert manners.not_now(NOON + 12 * HOUR_MS, LIMITS) is None


def test_the_time_it_names_is_kept() -> None:
    manners = Manners()
    manners.told_to_wait(NOON, 3600)
    assert manners.not_now(NOON + HOUR_MS - 1, LIMITS) is NotNow.TOLD
    assert manners.not_now(NOON + HOUR_MS, LIMITS) is None


def test_a_clock_put_back_by_years_does_not_silence_us_for_years() -> None:
    manners = Manners()
    manners.ask(NOON)
    manners.told_to_wait(NOON, 3600)
    assert manners.not_now(NOON - 1000 * DAY_MS, LIMITS) is None


@given(
    waits=st.lists(st.tuples(st.integers(0, 4 * HOUR_MS), st.none() | st.integers(0, 20_000)), max_size=60),
    spacing_s=st.sampled_from([0, 1, 30]),
    calls_a_day=st.integers(1, 10),
)
def test_whatever_happens_distance_cap_and_named_time_hold(
    waits: list[tuple[int, int | None]], spacing_s: float, calls_a_day: int
) -> None:
    manners, limits, now_ms = Manners(), Limits(spacing_s, calls_a_day), NOON
    asked: list[int] = []
    not_before_ms = 0
    for step_ms, wait_s in waits:
        now_ms += step_ms
        if manners.not_now(now_ms, limits) is None:
            assert now_ms >= not_before_ms
            assert not asked or now_ms - asked[-1] >= spacing_s * 1000
            manners.ask(now_ms)
            asked.append(now_ms)
            if wait_s is not None:
                manners.told_to_wait(now_ms, wait_s)
                not_before_ms = now_ms + wait_s * 1000
    assert all(sum(one // DAY_MS == day for one in asked) <= calls_a_day for day in {one // DAY_MS for one in asked})


def test_pauses_double_up_to_an_hour_and_differ_between_homes() -> None:
    pauses = [pause_ms(failures, "home-1") for failures in range(1, 9)]
    assert pauses == sorted(pauses)
    assert FIRST_PAUSE_MS <= pauses[0] <= 1.25 * FIRST_PAUSE_MS
    assert pauses[1] == pytest.approx(2 * pauses[0], abs=1)
    assert LONGEST_PAUSE_MS <= pauses[-1] <= 1.25 * LONGEST_PAUSE_MS
    assert pause_ms(10_000, "home-1") == pauses[-1]
    assert len({pause_ms(1, f"home-{number}") for number in range(50)}) == 50


@given(st.integers(0, 2**45), st.sampled_from([900_000, HOUR_MS, 6 * HOUR_MS]), st.text(max_size=10))
def test_a_turn_comes_once_in_every_period_at_the_same_offset(now_ms: int, every_ms: int, seed: str) -> None:
    turn = turn_ms(now_ms, every_ms, seed)
    assert now_ms - every_ms < turn <= now_ms
    assert turn_ms(turn + every_ms - 1, every_ms, seed) == turn
    assert turn_ms(turn + every_ms, every_ms, seed) == turn + every_ms


def test_the_turns_of_many_homes_are_spread_over_the_hour() -> None:
    minutes = {turn_ms(NOON, HOUR_MS, f"home-{number}/weather-nowcast") // MINUTE_MS for number in range(400)}
    assert len(minutes) > 55
    assert all(0 <= share(f"home-{number}") < 1 for number in range(400))
