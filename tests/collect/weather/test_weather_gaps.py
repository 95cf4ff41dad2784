"""What of an answer is written, when, and that it is written once."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.weather.gaps import Gaps
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading

NOON = parse_iso("2026-06-21T12:00Z")


def told(*ends: int, device: str = "weather-nowcast") -> list[Reading]:
    return [Reading(f"{device}.{name}", end, 5.0) for name in ("ghi", "temp_air") for end in ends]


def gaps(begin_ms: int = NOON - 3 * HOUR_MS, ahead: bool = False, ends: tuple[int, ...] = ()) -> Gaps:
    return Gaps(HOUR_MS, 7 * DAY_MS, begin_ms, ahead, ends)


def ends_of(readings: list[Reading]) -> list[int]:
    return [one.time_ms for one in readings if one.channel.endswith(".ghi")]


def test_a_period_is_due_when_it_is_over_with_all_that_is_told_of_it() -> None:
    ours = gaps()
    assert ours.due(told(NOON), NOON - 1) == []
    assert ours.due(told(NOON), NOON) == told(NOON)


def test_a_period_is_written_once_whatever_is_said_of_it_later() -> None:
    ours = gaps()
    ours.due(told(NOON), NOON)
    assert ours.due([Reading("weather-nowcast.ghi", NOON, 9.0)], NOON + HOUR_MS) == []


def test_a_forecast_is_written_when_its_period_begins_and_never_more_than_one_ahead() -> None:
    ours = gaps(ahead=True)
    ahead = told(NOON, NOON + HOUR_MS, NOON + 2 * HOUR_MS, NOON + 3 * HOUR_MS, device="weather-forecast")
    assert ends_of(ours.due(ahead, NOON - 1)) == [NOON]
    assert ends_of(ours.due(ahead, NOON)) == [NOON + HOUR_MS]
    assert ends_of(ours.due(ahead, NOON + 59 * MINUTE_MS)) == []
    assert ends_of(ours.due(ahead, NOON + HOUR_MS)) == [NOON + 2 * HOUR_MS]


def test_a_forecast_for_a_period_missed_is_written_late() -> None:
    ours = gaps(ahead=True)
    assert ends_of(ours.due(told(NOON - 2 * HOUR_MS, NOON - HOUR_MS, NOON), NOON - 1)) == [
        NOON - 2 * HOUR_MS,
        NOON - HOUR_MS,
        NOON,
    ]


def test_a_period_without_irradiance_may_still_come() -> None:
    ours = gaps()
    assert ours.due([Reading("weather-nowcast.temp_air", NOON, 15.0)], NOON) == []
    assert ours.due(told(NOON), NOON + HOUR_MS) == told(NOON)


def test_what_ended_before_the_site_began_is_not_wanted() -> None:
    assert gaps(begin_ms=NOON + 5 * MINUTE_MS).due(told(NOON, NOON + HOUR_MS), NOON + HOUR_MS) == told(NOON + HOUR_MS)


def test_what_is_missing_is_asked_for_from_its_start() -> None:
    ours = gaps(begin_ms=NOON - 5 * HOUR_MS, ends=(NOON - 4 * HOUR_MS, NOON - 3 * HOUR_MS, NOON - HOUR_MS))
    assert ours.missing_from(NOON) == NOON - 3 * HOUR_MS
    ours.due(told(NOON - 2 * HOUR_MS), NOON)
    assert ours.missing_from(NOON) == NOON - HOUR_MS
    ours.due(told(NOON), NOON)
    assert ours.missing_from(NOON) == NOON


def test_what_has_been_missing_too_long_is_given_up() -> None:
    ours = gaps(begin_ms=NOON - 30 * DAY_MS)
    assert ours.missing_from(NOON) == NOON - 7 * DAY_MS
    assert ours.due(told(NOON - 8 * DAY_MS), NOON) == []


@given(
    answers=st.lists(st.tuples(st.integers(0, 90), st.sets(st.integers(-5, 30), max_size=12)), max_size=12),
    ahead=st.booleans(),
)
def test_however_answers_come_each_period_is_written_at_most_once_and_never_before_it_is_due(
    answers: list[tuple[int, set[int]]], ahead: bool
) -> None:
    ours, now_ms, written = gaps(begin_ms=NOON, ahead=ahead), NOON, []
    for minutes, hours in answers:
        now_ms += minutes * MINUTE_MS
        ours.missing_from(now_ms)
        new = ends_of(ours.due(told(*sorted(NOON + hour * HOUR_MS for hour in hours)), now_ms))
        assert all(end <= now_ms + (HOUR_MS if ahead else 0) for end in new)
        written += new
    assert len(written) == len(set(written))
    assert all(end > NOON for end in written)
