"""What every readings store must do, whatever it is made of: at once, after days, and in another process."""

from __future__ import annotations

import math
import random

import pytest
from kept import EVERYTHING, INDEX, POWER, T0, Kept, Store, everything, rows

from watcher.domain.instant import (
    DAY_MS,
    GRACE_MS,
    GRID_MS,
    HOUR_MS,
    MINUTE_MS,
    ON_TIME_MS,
    SECOND_MS,
    due_through,
)
from watcher.domain.reading import Appended, Late, Reading
from watcher.store.readings import SqliteReadings

# As devices give them: a raw number over a power of ten, or the shortest decimal form of a float32.
DEVICE_VALUES = {
    POWER: [0.0, 2310.0, -4900.0, 501.2, 4999.99],
    "inverter-1.input-1.dc_current": [6.751, -0.38, 0.0, 6.75005, 0.00001],
    INDEX: [0.0, 9_120_000_000.0, 99_999_999.9, 123_456.78, 1e13],
    "inverter-1.event_bits": [0.0, 4_294_967_295.0],
    "pulse-1.pulse_count": [1.0, 987_654_321_012_345.0],
}


@pytest.mark.parametrize("age_ms", [0, HOUR_MS], ids=["on time", "late"])
def test_a_value_comes_back_exactly(kept: Kept, age_ms: int) -> None:
    given = [
        Reading(channel, T0 + i * SECOND_MS, value)
        for channel, values in DEVICE_VALUES.items()
        for i, value in enumerate(values)
    ]
    assert kept.store.append({"home-1": given}, T0 + age_ms) == Appended(len(given), 0, 0)

    def check(store: Store) -> None:
        window = store.window("home-1", None, *EVERYTHING)
        assert {channel: list(samples.value) for channel, samples in window.items()} == DEVICE_VALUES
        assert {samples.value.typecode for samples in window.values()} == {"d"}

    kept.always(check)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_not_finite_stores_nothing_of_its_batch(kept: Kept, value: float) -> None:
    with pytest.raises(ValueError, match="no measurement"):
        kept.store.append({"home-1": [Reading(INDEX, T0, 1.0), Reading(POWER, T0, value)]}, T0)

    def check(store: Store) -> None:
        assert store.sites() == []
        assert store.received_through("home-1") is None

    kept.always(check)


@pytest.mark.parametrize(
    ("received_after_ms", "on_time"),
    [
        pytest.param(0, True, id="at once"),
        pytest.param(ON_TIME_MS, True, id="just in time"),
        pytest.param(ON_TIME_MS + 1, False, id="just late"),
        pytest.param(-ON_TIME_MS, True, id="a clock a little fast"),
        pytest.param(-ON_TIME_MS - 1, False, id="just early"),
        pytest.param(-2 * DAY_MS, False, id="a forecast"),
        pytest.param(15 * 365 * DAY_MS, False, id="fifteen years old"),
    ],
)
def test_only_a_row_out_of_its_time_carries_when_it_was_received(
    kept: Kept, received_after_ms: int, on_time: bool
) -> None:
    received = T0 + received_after_ms
    kept.store.append({"home-1": [Reading(POWER, T0, 1.5)]}, received)

    def check(store: Store) -> None:
        assert everything(store) == {POWER: [(T0, 1.5, T0 if on_time else received)]}
        assert store.late("home-1", received, received + 1) == ([] if on_time else [Late(POWER, received, T0, T0)])

    kept.always(check)


def test_late_rows_are_told_by_channel_and_receipt_within_half_open_bounds(kept: Kept) -> None:
    first, second = T0 + HOUR_MS, T0 + 2 * HOUR_MS
    past = [Reading(POWER, T0 + i * MINUTE_MS, i) for i in range(5)]
    kept.store.append({"home-1": [*past, Reading(INDEX, T0, 7.0), Reading(INDEX, first, 8.0)]}, first)
    nine = Reading(POWER, T0 + 9 * MINUTE_MS, 9.0)
    kept.store.append({"home-1": [nine], "home-2": [Reading(POWER, T0, 1.0)]}, second)
    one, two = Late(POWER, first, T0, T0 + 4 * MINUTE_MS), Late(INDEX, first, T0, T0)
    three = Late(POWER, second, T0 + 9 * MINUTE_MS, T0 + 9 * MINUTE_MS)

    def check(store: Store) -> None:
        assert store.late("home-1", first, second + 1) == [one, two, three]
        assert store.late("home-1", first, second) == [one, two]
        assert store.late("home-1", first + 1, second + 1) == [three]
        assert store.late("home-3", 0, 2**62) == []

    kept.always(check)


def test_a_late_row_is_seen_from_its_receipt_on(kept: Kept) -> None:
    kept.store.append({"home-1": [Reading(POWER, T0, 5.0)]}, T0 + HOUR_MS)

    def check(store: Store) -> None:
        assert store.window("home-1", None, T0, T0 + 1, T0 + HOUR_MS) == {}
        assert list(store.window("home-1", None, T0, T0 + 1, T0 + HOUR_MS + 1)) == [POWER]

    kept.always(check)


def test_late_rows_stand_among_the_others_in_order_of_time(kept: Kept) -> None:
    for minute in (0, 2, 4):
        at = T0 + minute * MINUTE_MS
        kept.store.append({"home-1": [Reading(POWER, at, minute)]}, at)
    kept.settle()
    late = T0 + HOUR_MS
    kept.store.append({"home-1": [Reading(POWER, T0 + minute * MINUTE_MS, minute) for minute in (5, 1, 3)]}, late)
    known = {0: T0, 1: late, 2: T0 + 2 * MINUTE_MS, 3: late, 4: T0 + 4 * MINUTE_MS, 5: late}

    def check(store: Store) -> None:
        assert everything(store) == {POWER: [(T0 + m * MINUTE_MS, float(m), known[m]) for m in range(6)]}

    kept.always(check)


def test_the_first_value_stays_and_repeats_and_conflicts_are_counted(kept: Kept) -> None:
    kept.store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
    again = [Reading(POWER, T0, 1.0), Reading(POWER, T0, 2.0), Reading(INDEX, T0, 3.0), Reading(INDEX, T0, 4.0)]
    assert kept.store.append({"home-1": again}, T0 + 1_000) == Appended(new=1, same=1, conflicting=2)

    def check(store: Store) -> None:
        assert everything(store) == {POWER: [(T0, 1.0, T0)], INDEX: [(T0, 3.0, T0)]}

    kept.always(check)


@pytest.mark.parametrize("value", [1.0, 2.0], ids=["same", "another"])
def test_the_first_value_stays_years_later_too(kept: Kept, value: float) -> None:
    minutes = [Reading(POWER, T0 + i * MINUTE_MS, 1.0) for i in range(3)]
    kept.store.append_history("home-1", minutes, T0 + DAY_MS)
    kept.settle()
    before = everything(kept.store)
    kept.store.append({"home-1": [Reading(POWER, T0 + MINUTE_MS, value)]}, T0 + 5 * 365 * DAY_MS)

    def check(store: Store) -> None:
        assert everything(store) == before

    kept.always(check)


@pytest.mark.parametrize(
    ("first_ms", "second_ms"),
    [pytest.param(-HOUR_MS, 0, id="early, then on time"), pytest.param(0, HOUR_MS, id="on time, then late")],
)
def test_a_row_is_the_same_row_whether_it_came_on_time_or_not(kept: Kept, first_ms: int, second_ms: int) -> None:
    kept.store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0 + first_ms)
    before = everything(kept.store)
    assert kept.store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0 + second_ms) == Appended(0, 1, 0)
    assert kept.store.append({"home-1": [Reading(POWER, T0, 2.0)]}, T0 + second_ms) == Appended(0, 0, 1)

    def check(store: Store) -> None:
        assert everything(store) == before

    kept.always(check)


def test_an_empty_batch_moves_the_watermark_alone(kept: Kept) -> None:
    assert kept.store.append({"home-1": []}, T0) == Appended(0, 0, 0)

    def check(store: Store) -> None:
        assert store.received_through("home-1") == T0
        assert store.received_through("home-2") is None
        assert everything(store) == {}

    kept.always(check)


def test_a_clock_that_steps_back_never_takes_the_watermark_with_it(kept: Kept) -> None:
    kept.store.append({"home-1": []}, T0)
    kept.store.append({"home-1": [Reading(POWER, T0 - 40_000, 1.0), Reading(POWER, T0 - HOUR_MS, 2.0)]}, T0 - 40_000)

    def check(store: Store) -> None:
        assert store.received_through("home-1") == T0
        assert everything(store) == {POWER: [(T0 - HOUR_MS, 2.0, T0), (T0 - 40_000, 1.0, T0 - 40_000)]}

    kept.always(check)


def test_sites_keep_their_own_rows_and_watermarks(kept: Kept) -> None:
    # A dot in a name stands for itself: "home.1" is no pattern that "home-1" would match.
    kept.store.append({"home.1": [Reading(POWER, T0, 2.0)], "home-1": [Reading(POWER, T0, 1.0)]}, T0)
    kept.store.append({"home-1": []}, T0 + MINUTE_MS)

    def check(store: Store) -> None:
        assert store.sites() == ["home-1", "home.1"]
        assert everything(store, "home-1") == {POWER: [(T0, 1.0, T0)]}
        assert everything(store, "home.1") == {POWER: [(T0, 2.0, T0)]}
        assert (store.received_through("home-1"), store.received_through("home.1")) == (T0 + MINUTE_MS, T0)

    kept.always(check)


def test_a_window_has_its_start_and_not_its_end_and_only_the_channels_asked_for(kept: Kept) -> None:
    for minute in range(10):
        at = T0 + minute * MINUTE_MS
        kept.store.append({"home-1": [Reading(POWER, at, minute), Reading(INDEX, at, 100 + minute)]}, at)

    def check(store: Store) -> None:
        window = store.window("home-1", [INDEX, "meter-9.energy_index"], T0 + MINUTE_MS, T0 + 3 * MINUTE_MS, 2**62)
        assert {channel: list(samples.value) for channel, samples in window.items()} == {INDEX: [101.0, 102.0]}
        assert store.window("home-1", [], T0, T0 + HOUR_MS, 2**62) == {}
        assert store.window("home-9", None, T0, T0 + HOUR_MS, 2**62) == {}

    kept.always(check)


def test_a_gap_stays_a_gap(kept: Kept) -> None:
    for at in (T0, T0 + 3 * HOUR_MS):
        kept.store.append({"home-1": [Reading(POWER, at, 1.0)]}, at)

    def check(store: Store) -> None:
        assert [time for time, _, _ in everything(store)[POWER]] == [T0, T0 + 3 * HOUR_MS]
        assert store.window("home-1", None, T0 + 1, T0 + 3 * HOUR_MS, 2**62) == {}

    kept.always(check)


def test_the_newest_reading_of_each_channel_is_no_forecast(kept: Kept) -> None:
    forecast = "weather-forecast.ghi"
    kept.store.append({"home-1": [Reading(POWER, T0, 1.0), Reading(forecast, T0 + DAY_MS, 300.0)]}, T0)
    kept.store.append({"home-1": [Reading(INDEX, T0 - HOUR_MS, 9.0), Reading(POWER, T0 - HOUR_MS, 5.0)]}, T0)

    def check(store: Store) -> None:
        newest = {INDEX: Reading(INDEX, T0 - HOUR_MS, 9.0), POWER: Reading(POWER, T0, 1.0)}
        assert store.last("home-1") == newest
        assert store.last("home-2") == {}

    kept.always(check)


def test_the_oldest_row_of_a_site_is_found_wherever_it_stands(kept: Kept) -> None:
    assert kept.store.first("home-1") is None
    kept.store.append({"home-2": [Reading(POWER, T0 - DAY_MS, 1.0)], "home-1": []}, T0)
    assert kept.store.first("home-1") is None
    kept.store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
    assert kept.store.first("home-1") == T0
    kept.store.append({"home-1": [Reading(INDEX, T0 - HOUR_MS, 1.0)]}, T0)

    def check(store: Store) -> None:
        assert store.first("home-1") == T0 - HOUR_MS

    kept.always(check)


def test_history_counts_as_received_on_time_and_makes_its_last_interval_due(kept: Kept) -> None:
    newest = T0 + 7 * MINUTE_MS
    history = [Reading(POWER, T0 - 5 * 365 * DAY_MS, 1.0), Reading(POWER, T0, 2.0), Reading(INDEX, newest, 3.0)]
    assert kept.store.append_history("home-1", history, T0 + DAY_MS) == Appended(3, 0, 0)

    def check(store: Store) -> None:
        found = everything(store)
        assert sorted((channel, time, value) for channel, one in found.items() for time, value, _ in one) == [
            tuple(reading) for reading in sorted(history)
        ]
        assert all(time == known for one in found.values() for time, _, known in one)
        assert store.late("home-1", -(2**62), 2**62) == []
        # The newest row lies in the interval that ends at T0 + 10 min, and nothing after that can be due.
        assert due_through(store.received_through("home-1") or 0) == T0 + 2 * GRID_MS

    kept.always(check)


def test_history_is_idempotent_and_never_takes_the_watermark_back(kept: Kept) -> None:
    history = [Reading(POWER, T0 + i * MINUTE_MS, i) for i in range(100)]
    kept.store.append_history("home-1", history, T0 + DAY_MS)
    before, watermark = everything(kept.store), kept.store.received_through("home-1")
    assert kept.store.append_history("home-1", iter(history), T0 + DAY_MS) == Appended(0, 100, 0)
    assert kept.store.append_history("home-1", [history[3]._replace(value=-1.0)], T0 + DAY_MS) == Appended(0, 0, 1)
    assert kept.store.append_history("home-1", [], T0 + 9 * DAY_MS) == Appended(0, 0, 0)
    kept.settle()
    kept.store.append_history("home-1", reversed(history), T0 + DAY_MS)

    def check(store: Store) -> None:
        assert (everything(store), store.received_through("home-1")) == (before, watermark)

    kept.always(check)


def test_everything_is_there_after_a_restart(kept: Kept) -> None:
    kept.store.append({"home-1": [Reading(POWER, T0, 1.0), Reading(POWER, T0 - HOUR_MS, 2.0)]}, T0)
    before = everything(kept.store), kept.store.received_through("home-1"), kept.store.last("home-1")
    kept.restart()
    assert kept.store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0) == Appended(0, 1, 0)

    def check(store: Store) -> None:
        assert (everything(store), store.received_through("home-1"), store.last("home-1")) == before

    kept.always(check)
    kept.restart()
    check(kept.store)


def test_upkeep_keeps_every_row(kept: Kept) -> None:
    kept.store.append({"home-1": [Reading(POWER, T0, 1.0), Reading(POWER, T0 - HOUR_MS, 2.0)]}, T0)
    before = everything(kept.store)
    kept.store.upkeep(T0 + 10 * DAY_MS)

    def check(store: Store) -> None:
        assert everything(store) == before

    kept.always(check)


@pytest.mark.parametrize("seed", range(4))
def test_any_order_of_batches_leaves_what_the_store_in_memory_leaves(kept: Kept, seed: int) -> None:
    """Small ranges on a half-minute lattice, so that rows meet, clocks step back and bounds are hit exactly."""
    chance = random.Random(seed)

    def instant() -> int:
        return T0 + chance.randint(-4, 16) * MINUTE_MS // 2

    with SqliteReadings(":memory:") as plain:
        for _ in range(12):
            batch = [
                Reading(chance.choice([POWER, INDEX, "weather-forecast.ghi"]), instant(), chance.choice([0, 1.5, -2]))
                for _ in range(chance.randint(0, 8))
            ]
            now_ms = instant()
            assert kept.store.append({"home-1": batch}, now_ms) == plain.append({"home-1": batch}, now_ms)
            if chance.random() < 0.2:
                kept.settle_a_little()

        def check(store: Store) -> None:
            assert store.received_through("home-1") == plain.received_through("home-1")
            assert store.last("home-1") == plain.last("home-1")
            for _ in range(10):
                start, end, by = instant(), instant(), instant()
                window, expected = (
                    store.window("home-1", None, start, end, by),
                    plain.window("home-1", None, start, end, by),
                )
                assert {name: rows(one) for name, one in window.items()} == {
                    name: rows(one) for name, one in expected.items()
                }
                assert store.late("home-1", start, end) == plain.late("home-1", start, end)

        kept.always(check)


def test_a_store_makes_due_only_what_it_has_received(kept: Kept) -> None:
    kept.store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0 + GRACE_MS)

    def check(store: Store) -> None:
        assert due_through(store.received_through("home-1") or 0) == T0

    kept.always(check)
