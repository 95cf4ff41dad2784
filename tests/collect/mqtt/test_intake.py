"""When a message came is not when it was so."""

from __future__ import annotations

import itertools
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.collect.mqtt.played import DATED, NUMBERED, UNDATED, UNNUMBERED, Played
from watcher.collect.mqtt.increments import REACH, RunningCount, Told
from watcher.collect.mqtt.intake import ENDLESS_S, QUIET_S
from watcher.domain.instant import iso, parse_iso
from watcher.domain.reading import Reading
from watcher.store.readings import SqliteReadings

POWER = "inverter-1.ac_power"
COUNT = "inverter-1.pulse_count"
NUMBER = "inverter-1.messages.pulse_count"


def test_a_message_without_a_time_is_of_when_it_came() -> None:
    played = Played(UNDATED)
    played.message(10.0, {"power": 1520})
    assert played.taken(11.0) == []  # another may follow at once
    assert played.taken(13.0) == [Reading(POWER, played.at(10.0), 1520.0)]
    assert played.taken(20.0) == []


def test_a_message_with_a_time_is_of_that_time_and_is_not_waited_with() -> None:
    played = Played(DATED)
    played.message(10.0, {"power": 1520, "energy": 8123.4, "ts": "2026-01-10T22:04:00+01:00"})
    at_ms = parse_iso("2026-01-10T21:04:00Z")
    assert played.taken(10.0) == [Reading(POWER, at_ms, 1520.0), Reading("inverter-1.ac_energy", at_ms, 8_123_400.0)]


@pytest.mark.parametrize(
    ("ts", "kind"),
    [
        ("2026-01-10T21:21:00Z", "dated-ahead"),
        ("2024-11-10T21:00:00Z", "dated-long-ago"),
        ("1970-01-01T00:00:10Z", "bad-time"),
        ("2026-01-10T21:00:00", "bad-time"),
        ("2026-01-10", "bad-time"),
        ("soon", "bad-time"),
        (None, "bad-time"),
        (1_768_079_100, "bad-time"),
    ],
)
def test_a_time_that_cannot_be_costs_the_message(ts: object, kind: str) -> None:
    played = Played(DATED)
    played.message(600.0, {"power": 1520, "ts": ts})
    assert played.taken(600.0) == []
    assert played.refused == {kind: 1}
    assert played.intake.refused_topics == {"home7/pv": 1}


@pytest.mark.parametrize(
    ("form", "ts", "expected"),
    [
        ("s", 1_768_079_100, "2026-01-10T21:05:00Z"),
        ("s", 1_768_079_100.25, "2026-01-10T21:05:00.250Z"),
        ("s", "1768079100", "2026-01-10T21:05:00Z"),
        ("ms", 1_768_079_100_500, "2026-01-10T21:05:00.500Z"),
        ("s", 1_768_079_100_500, None),
        ("ms", 1_768_079_100, None),
        ("s", -5, None),
        ("s", "1e9", None),
        ("s", True, None),
        ("iso", "2026-01-10 21:05:00Z", "2026-01-10T21:05:00Z"),
        ("iso", "20260110T210500Z", "2026-01-10T21:05:00Z"),
        ("iso", "2026-01-10T21:05:00.250+00:00", "2026-01-10T21:05:00.250Z"),
        ("iso", "9999-01-10T21:05:00Z", None),
    ],
)
def test_the_time_is_read_in_the_declared_form_only(form: str, ts: object, expected: str | None) -> None:
    played = Played(DATED.replace('"iso"', f'"{form}"'))
    played.message(60.0, {"power": 1, "ts": ts})
    assert [iso(reading.time_ms) for reading in played.taken(60.0)] == ([expected] if expected else [])


@pytest.mark.parametrize(
    ("came", "written", "expected"),
    [
        ("2026-10-25T00:30:20Z", "2026-10-25T01:30:00", "2026-10-25T00:30:00Z"),
        ("2026-10-25T01:30:20Z", "2026-10-25T01:30:00", "2026-10-25T01:30:00Z"),
        ("2026-10-25T08:00:00Z", "2026-10-25T01:30:00", None),
        ("2026-10-25T08:00:00Z", "2026-10-25T00:30:00", "2026-10-24T23:30:00Z"),
        ("2026-10-25T08:00:00Z", "2026-10-25T02:30:00", "2026-10-25T02:30:00Z"),
        ("2026-03-29T08:00:00Z", "2026-03-29T01:30:00", None),
    ],
)
def test_case_d1_a_local_time_is_settled_by_when_it_came_or_not_at_all(
    came: str, written: str, expected: str | None
) -> None:
    played = Played(DATED.replace('"iso"', '"iso"\nzone = "Europe/London"'), came)
    played.message(0.0, {"power": 1, "ts": written})
    assert [iso(reading.time_ms) for reading in played.taken(0.0)] == ([expected] if expected else [])


def test_of_a_burst_only_the_last_is_now() -> None:
    played = Played(UNDATED)
    for number in range(50):
        played.message(number * 0.05, {"power": number})
    assert played.taken(1.0) == []
    assert played.taken(10.0) == [Reading(POWER, played.at(2.45), 49.0)]
    assert played.refused == {"overtaken": 49}


def test_what_one_message_leaves_out_another_may_bring() -> None:
    played = Played(UNDATED)
    played.message(0.0, {"power": 1500})
    played.message(0.1, {"energy": 812.4})
    assert {reading.channel: reading.value for reading in played.taken(9.0)} == {
        POWER: 1500.0,
        "inverter-1.ac_energy": 812_400.0,
    }
    assert "overtaken" not in played.intake.refused


def test_a_device_that_speaks_every_second_is_heard_every_second_once_that_is_known() -> None:
    played = Played(UNDATED)
    for second in range(60):
        played.message(float(second), {"power": second})
    readings = played.taken(59.9)
    assert [reading.value for reading in readings] == [float(second) for second in range(3, 60)]
    assert [reading.time_ms for reading in readings] == [played.at(float(second)) for second in range(3, 60)]
    assert played.refused == {"overtaken": 3}


def test_a_slow_device_that_sends_what_it_kept_by_the_second_is_known_by_its_pace() -> None:
    played = Played(UNDATED)
    for number in range(5):
        played.message(number * 300.0, {"power": 1000 + number})
        played.taken(number * 300.0 + 10)
    for number in range(20):
        played.message(90_000.0 + number * 3.0, {"power": number})
    assert [reading.value for reading in played.taken(91_000.0)] == [19.0]


def test_a_burst_without_end_is_a_device_in_a_hurry() -> None:
    played = Played(UNDATED)
    found: list[Reading] = []
    for number in range(round(ENDLESS_S * 5) + 200):
        played.message(number / 5, {"power": number})
        found += played.taken(number / 5)
    assert found


def test_what_waited_at_the_broker_while_we_were_away_is_of_unknown_age() -> None:
    played = Played(UNDATED)
    played.message(1.0, {"power": 2310}, waited=True)
    assert played.taken(60.0) == []
    assert played.refused == {"of-unknown-age": 1}
    dated = Played(DATED)
    dated.message(1.0, {"power": 2310, "ts": "2026-01-10T12:40:00Z"}, waited=True)
    assert [iso(reading.time_ms) for reading in dated.taken(1.0)] == ["2026-01-10T12:40:00Z"]


# Increments


def counted(readings: list[Reading]) -> list[float]:
    return [reading.value for reading in readings if reading.channel == COUNT]


def test_a_count_goes_on_after_a_restart_from_what_the_store_knows() -> None:
    before = Played(NUMBERED)
    before.message(0.0, {"seq": 41, "n": 5})
    before.message(60.0, {"seq": 42, "n": 5})
    stored = {reading.channel: reading for reading in before.taken(61.0)}
    assert (stored[COUNT].value, stored[NUMBER].value) == (10.0, 42.0)
    after = Played(NUMBERED, "2026-01-10T21:10:00Z", counts=stored)
    after.message(0.0, {"seq": 42, "n": 5})  # sent again, since nobody had thanked for it
    after.message(1.0, {"seq": 43, "n": 5})
    assert counted(after.taken(2.0)) == [15.0]
    assert after.refused == {"repeated": 1}


def test_a_count_whose_last_number_is_not_known_leaves_the_next_message_out() -> None:
    stored = {COUNT: Reading(COUNT, 1, 10.0), NUMBER: Reading(NUMBER, 0, 41.0)}
    played = Played(NUMBERED, counts=stored)
    for second, sequence in enumerate((42, 43)):
        played.message(float(second), {"seq": sequence, "n": 5})
    assert counted(played.taken(2.0)) == [15.0]


def test_a_late_message_counts_and_numbers_left_out_are_missed() -> None:
    played = Played(NUMBERED)
    for second, sequence in enumerate((41, 44, 42)):
        played.message(float(second), {"seq": sequence, "n": 5})
    assert counted(played.taken(3.0)) == [15.0]
    assert played.refused == {"missed": 2}
    played.message(10.0, {"n": 5})
    assert counted(played.taken(11.0)) == []
    assert played.intake.refused["no-sequence"] == 1


def test_a_counter_that_began_anew_is_known_by_its_date_or_by_a_long_fall() -> None:
    dated = Played(NUMBERED.replace('sequence = "seq"', 'sequence = "seq"\ntime = "ts"\ntime_form = "iso"'))
    for minute, sequence in enumerate((41, 42, 0, 1)):
        dated.message(float(minute), {"seq": sequence, "n": 5, "ts": f"2026-01-10T21:0{minute}:00Z"})
    assert counted(dated.taken(10.0))[-1] == 20.0
    far = RunningCount()
    assert [far.number(number, began_later=False) for number in (5000, 3, 4)] == [Told.NEXT, Told.ANEW, Told.NEXT]


def test_a_number_is_forgotten_only_beyond_where_repetitions_come_from() -> None:
    count = RunningCount()
    for number in range(5 * REACH):
        count.number(number, began_later=False)
    newest = 5 * REACH - 1
    assert count.number(newest - REACH, began_later=False) is Told.REPEATED
    assert count.number(newest, began_later=False) is Told.REPEATED


def test_retained_and_marked_increments_without_numbers_are_left_out() -> None:
    played = Played(UNNUMBERED)
    played.message(0.0, {"n": 5}, retained=True)
    played.message(1.0, {"n": 5})
    played.message(2.0, {"n": 5}, again=True)
    (reading,) = played.taken(3.0)
    assert reading == Reading("inverter-1.doubtful.pulse_count", played.at(1.0), 5.0)
    assert played.refused == {"retained": 1, "repeated": 1}


# Whatever comes in whatever order


_SENT = st.lists(st.integers(0, 40), min_size=1, max_size=40, unique=True).map(sorted)


@given(_SENT, st.data())
@settings(max_examples=150)
def test_an_index_is_stored_as_it_was_whatever_comes_twice_late_retained_or_after_a_break(
    minutes: list[int], data: st.DataObject
) -> None:
    """Readings are never invented, each stands at its own time, and the energy between first and last is the truth."""
    truth = {minute: round(500.0 + 0.1 * minute, 1) for minute in minutes}
    order = data.draw(st.permutations(minutes)) + data.draw(st.lists(st.sampled_from(minutes), max_size=20))
    marks = st.fixed_dictionaries({"retained": st.booleans(), "waited": st.booleans(), "again": st.booleans()})
    played = Played(DATED, "2026-01-10T22:00:00Z")
    with SqliteReadings(":memory:") as store:
        for place, minute in enumerate(order):
            payload = {"energy": truth[minute], "ts": f"2026-01-10T21:{minute:02}:00Z"}
            played.message(place * 0.01, payload, **data.draw(marks))
            if data.draw(st.booleans()):
                store.append({"home-1": played.taken(place * 0.01)}, played.at(place * 0.01))
        appended = store.append({"home-1": played.taken(9.0)}, played.at(9.0))
        assert appended.conflicting == 0
        column = store.window("home-1", None, 0, 2**50, 2**50)["inverter-1.ac_energy"]
    begin = parse_iso("2026-01-10T21:00:00Z")
    assert dict(zip(column.time_ms, column.value, strict=True)) == {
        begin + minute * 60_000: pytest.approx(truth[minute] * 1000) for minute in minutes
    }


@given(st.lists(st.integers(1, 9), min_size=1, max_size=30), st.data())
@settings(max_examples=150)
def test_numbered_increments_add_up_to_the_truth_whatever_comes_twice_late_or_after_a_restart(
    increments: list[int], data: st.DataObject
) -> None:
    """The broker hands the newest few again and out of order, and we are started anew in between."""
    played, readings, stored = Played(NUMBERED), list[Reading](), dict[str, Reading]()
    second = 0.0
    for start in range(0, len(increments), 5):
        batch = list(enumerate(increments))[start : start + 5]
        again = data.draw(st.lists(st.sampled_from(list(enumerate(increments))[: start + 5]), max_size=5))
        # What came before the first that we ever saw cannot be told from a repetition: that one stays first.
        ahead, rest = (batch[:1], batch[1:]) if start == 0 else ([], batch)
        for sequence, increment in ahead + data.draw(st.permutations(rest + again)):
            played.message(second, {"seq": sequence, "n": increment})
            second += 0.5
        taken = played.taken(second)
        readings += taken
        stored |= {reading.channel: reading for reading in taken}
        if data.draw(st.booleans()):
            played = Played(NUMBERED, counts=stored)
    totals = counted(readings)
    assert totals == sorted(totals)
    assert len({reading.time_ms for reading in readings if reading.channel == COUNT}) == len(totals)
    assert totals[-1] == float(sum(increments))


@given(st.lists(st.tuples(st.floats(0.0, 400.0), st.integers(0, 5000)), min_size=1, max_size=40))
@settings(max_examples=150)
def test_what_carries_no_time_is_stored_where_it_came_and_seldom_enough(gaps: list[tuple[float, int]]) -> None:
    played, arrivals = Played(UNDATED), dict[int, float]()
    readings: list[Reading] = []
    second = 0.0
    for gap, watts in gaps:
        second += gap
        played.message(second, {"power": watts})
        arrivals[played.at(second)] = float(watts)
        readings += played.taken(second)
    readings += played.taken(second + 10.0)
    times = [reading.time_ms for reading in readings]
    assert times == sorted(times)
    for reading in readings:  # never a value that did not come then
        near = [value for at, value in arrivals.items() if abs(at - reading.time_ms) <= 1]
        assert reading.value in near
    assert all(later - earlier >= 499 for earlier, later in itertools.pairwise(times))
    assert len(readings) + played.intake.refused["overtaken"] == len(gaps)
    assert readings[-1].value == float(gaps[-1][1])


def test_refusals_are_counted_by_topic_in_bounded_memory() -> None:
    played = Played(DATED.replace("home7/pv", "home7/+"))
    for number in range(1000):
        played.message(float(number), {"power": 1, "ts": "never"})
        played.waiting[-1] = played.waiting[-1]._replace(topic=f"home7/{number}")
    played.taken(1000.0)
    assert len(played.intake.refused_topics) <= 501
    assert sum(played.intake.refused_topics.values()) == 1000
    assert played.refused == Counter({"bad-time": 1000})


def test_topics_without_a_time_are_told_apart_in_bounded_memory() -> None:
    played = Played(UNDATED.replace("home7/pv", "home7/+"))
    for number in range(2000):
        played.message(number * 0.001, {"power": number})
        played.waiting[-1] = played.waiting[-1]._replace(topic=f"home7/{number}")
    assert len(played.taken(2.0 + QUIET_S * 2)) <= 500
