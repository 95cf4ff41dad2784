"""Weather that repeats itself to the last digit is no weather."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.weather.repeats import repeats
from watcher.domain.instant import DAY_MS, HOUR_MS, parse_iso
from watcher.domain.reading import Reading

DAY = parse_iso("2026-06-21T00:00Z")
GHI = [0, 0, 0, 0, 12, 90, 210, 350, 480, 600, 700, 760, 780, 765, 700, 610, 490, 350, 210, 90, 20, 4, 0, 0]


def readings(*days: list[tuple[float, ...]], names: tuple[str, ...] = ("ghi", "temp_air")) -> list[Reading]:
    """One row of values an hour, day after day."""
    return [
        Reading(f"weather-nowcast.{name}", DAY + number * DAY_MS + (hour + 1) * HOUR_MS, value)
        for number, rows in enumerate(days)
        for hour, row in enumerate(rows)
        for name, value in zip(names, row, strict=True)
    ]


def shifted(by: float, hours: range = range(24)) -> list[tuple[float, ...]]:
    """The day with its values moved a little in some hours."""
    return [
        (ghi + (by if hour in hours and ghi else 0), 15.0 + (by if hour in hours else 0))
        for hour, ghi in enumerate(GHI)
    ]


def ends(hours: range, day: int = 1) -> set[int]:
    return {DAY + day * DAY_MS + (hour + 1) * HOUR_MS for hour in hours}


def test_another_days_weather_is_weather() -> None:
    assert repeats(readings(shifted(0), shifted(0.1))) == (frozenset(), None)


def test_case_f6_the_same_six_values_as_yesterday_are_none() -> None:
    found = repeats(readings(shifted(0), shifted(0.1, range(12))[:18]))
    assert found.ends == ends(range(12, 18))
    assert found.since_ms == min(ends(range(12, 18)))


def test_a_service_that_has_come_back_is_not_frozen_and_the_repeated_hours_stay_out() -> None:
    awake = [*shifted(0)[:12], *shifted(0.1)[12:]]
    assert repeats(readings(shifted(0), awake)) == (ends(range(4, 12)), None)


def test_two_hours_may_come_out_the_same() -> None:
    assert repeats(readings(shifted(0), shifted(0.1, range(10))[:12])) == (frozenset(), None)


def test_an_hour_that_differs_ends_the_row() -> None:
    today = shifted(0.1, range(10))
    today[12] = (today[12][0] + 1, today[12][1])
    assert repeats(readings(shifted(0), today[:15])) == (frozenset(), None)


def test_nights_are_the_same_every_day_and_are_no_sign() -> None:
    dark = [(0.0, 9.0)] * 24
    assert repeats(readings(dark, dark)) == (frozenset(), None)


@pytest.mark.parametrize(("hours", "frozen"), [(range(11, 16), False), (range(10, 16), True)])
def test_irradiance_alone_must_repeat_for_longer(hours: range, frozen: bool) -> None:
    yesterday: list[tuple[float, ...]] = [(float(ghi),) for ghi in GHI]
    today: list[tuple[float, ...]] = [
        (float(ghi) if hour in hours else ghi + 1.0,) for hour, ghi in enumerate(GHI[: hours.stop])
    ]
    found = repeats(readings(yesterday, today, names=("ghi",)))
    assert found.ends == (ends(hours) if frozen else set())


def test_a_row_goes_on_over_the_night_which_is_part_of_it() -> None:
    found = repeats(readings(shifted(0), shifted(0.1, range(18)), shifted(0.1, range(18))[:6]))
    assert found.ends == ends(range(18, 24)) | ends(range(6), 2)


@given(
    values=st.lists(st.integers(20, 900), min_size=48, max_size=48),
    order=st.randoms(use_true_random=False),
)
def test_only_what_equals_the_day_before_is_left_out_and_order_is_nothing(
    values: list[int], order: random.Random
) -> None:
    told = readings(*[[(float(value), 15.0) for value in values[day * 24 : day * 24 + 24]] for day in (0, 1)])
    found = repeats(told)
    by_end = {one.time_ms: one.value for one in told if one.channel.endswith(".ghi")}
    assert all(by_end[end] == by_end[end - DAY_MS] for end in found.ends)
    order.shuffle(told)
    assert repeats(told) == found
