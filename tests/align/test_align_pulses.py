"""Pulses and typed readings: what they are worth, when the count goes round, and that no energy comes of nothing."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.align.build import build_window
from watcher.align.facts import dial_of
from watcher.align.pulses import anchors_of
from watcher.align.window import Counter, SegmentFlag
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import HOUR_MS, MINUTE_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Site

START = parse_iso("2026-06-21T00:00Z")
COUNT, INDEX = "meter-1.pulse_count", "meter-1.energy_index"
STEP_MS = 5 * MINUTE_MS
Rows = list[tuple[int, float]]


def pulsed(home: Site, per_kwh: float = 1000.0, bits: int | None = None, own: float | None = None) -> Site:
    meters = (replace(home.meters[0], pulses_per_kwh=per_kwh),)
    sources = tuple(
        replace(source, counter_bits=bits, pulses_per_kwh=own) if source.device == "meter-1" else source
        for source in home.sources
    )
    return replace(home, meters=meters, sources=sources)


def typed(minutes: int, index_wh: float, received: int | None = None) -> Event:
    heard = minutes if received is None else received
    at_ms, received_ms = START + minutes * MINUTE_MS, START + heard * MINUTE_MS
    return Event("home-1", EventKind.TYPED_READING, "meter-1", at_ms, received_ms, {"energy_index": index_wh})


def counters(site: Site, rows: Rows, *events: Event, points: int = POINTS_A_DAY) -> dict[str, Counter]:
    return dict(build_window(site, {COUNT: Samples.of(rows)}, events, START, points).counters)


def total(counter: Counter) -> float:
    return sum(one.wh or 0.0 for one in counter.segments)


def every(*counts: float) -> Rows:
    return [(START + place * STEP_MS, count) for place, count in enumerate(counts)]


@pytest.mark.parametrize(
    ("per_kwh", "pulse_wh"),
    [(100, 10.0), (800, 1.25), (1000, 1.0), (2000, 0.5), (3200, 0.3125), (10_000, 0.1)],
)
def test_a_pulse_is_worth_its_share_of_a_kilowatt_hour(home: Site, per_kwh: int, pulse_wh: float) -> None:
    """reference-values.md 3.2, "Wh/pulse" (computed from P = 3.6e6 / (K dt))."""
    made = counters(pulsed(home, per_kwh), every(7.0, 17.0))[COUNT]
    assert total(made) == pytest.approx(10 * pulse_wh, abs=1e-3)


def test_what_is_listened_to_may_be_worth_other_than_the_meter_says(home: Site) -> None:
    assert total(counters(pulsed(home, 1000.0, own=2000.0), every(0.0, 10.0))[COUNT]) == 5.0


@pytest.mark.parametrize("bits", [16, 32])
def test_a_count_of_declared_width_goes_round(home: Site, bits: int) -> None:
    """A width of n bits goes round at 2**n (by arithmetic)."""
    made = counters(pulsed(home, bits=bits), every(2**bits - 30, 2**bits - 10, 5, 25))[COUNT]
    assert [(one.wh, one.flag) for one in made.segments] == [
        (20.0, SegmentFlag.COUNTED),
        (15.0, SegmentFlag.ROLLED_OVER),
        (20.0, SegmentFlag.COUNTED),
    ]


def test_a_count_of_no_known_width_that_falls_has_begun_anew(home: Site) -> None:
    rows = every(2**16 - 30, 2**16 - 10, *range(5, 305, 20))
    made = counters(pulsed(home), rows)[COUNT]
    assert {one.flag for one in made.segments} == {SegmentFlag.COUNTED, SegmentFlag.RESTARTED}
    assert total(made) == 20 + 280


@pytest.mark.parametrize(
    ("before_kwh", "after_kwh", "gained_kwh"),
    [pytest.param(99_998.7, 2.1, 3.4, id="5+1 digits"), pytest.param(99_999.0, 3.0, 4.0, id="whole kilowatt-hours")],
)
def test_the_dial_goes_round_at_its_digits(home: Site, before_kwh: float, after_kwh: float, gained_kwh: float) -> None:
    """reference-values.md 3.3: 5 digits have the modulus 100 000 kWh; both examples are its own."""
    pulses = round(gained_kwh * 1000)
    rows = every(*range(0, pulses + 1, 100), *[float(pulses)] * 3)
    last = (len(rows) - 1) * 5
    made = counters(pulsed(home), rows, typed(0, before_kwh * 1000), typed(last, after_kwh * 1000))[INDEX]
    assert made.dials[1].drift_wh == pytest.approx(0.0, abs=1e-6)
    assert total(made) == pulses
    assert [one.flag for one in made.segments if one.flag is not SegmentFlag.COUNTED] == [SegmentFlag.ROLLED_OVER]
    assert 0 <= np.nanmin(made.index_wh) <= np.nanmax(made.index_wh) < 1e8


def test_before_the_first_typed_reading_the_index_is_counted_back(home: Site) -> None:
    made = counters(pulsed(home), every(100, 120, 150, 190), typed(10, 5_000.0))[INDEX]
    assert made.index_wh[:4].tolist() == [4_970.0, 5_000.0, 5_040.0, 5_040.0]
    assert {one.flag for one in made.segments} == {SegmentFlag.COUNTED}


def test_a_drift_puts_the_index_right_and_marks_the_step(home: Site) -> None:
    made = counters(pulsed(home), every(0, 50, 100, 150), typed(0, 1_000.0), typed(10, 1_400.0))[INDEX]
    assert made.index_wh[:3].tolist() == [1_050.0, 1_400.0, 1_450.0]
    assert [(one.wh, one.flag) for one in made.segments] == [
        (50.0, SegmentFlag.COUNTED),
        (50.0, SegmentFlag.ANCHORED),
        (50.0, SegmentFlag.COUNTED),
    ]
    assert made.dials[1].drift_wh == 300.0


def test_an_exchange_between_two_readings_says_nothing_of_drift(home: Site) -> None:
    at_ms = START + 7 * MINUTE_MS
    exchange = Event("home-1", EventKind.METER_EXCHANGE, "meter-1", at_ms, at_ms)
    made = counters(pulsed(home), every(0, 50, 100, 150), typed(0, 900_000.0), exchange, typed(15, 3_000.0))[INDEX]
    assert made.dials[1].drift_wh is None
    assert made.index_wh[2] == 3_000.0


def test_a_register_that_is_read_needs_no_pulses(home: Site) -> None:
    raw = {COUNT: Samples.of(every(0, 50)), INDEX: Samples.of(every(9_000.0, 9_100.0))}
    made = build_window(pulsed(home), raw, [typed(0, 1_000.0)], START, POINTS_A_DAY).counters[INDEX]
    assert total(made) == 100.0
    assert made.dials == ()


def test_only_a_reading_among_the_pulses_anchors_them(home: Site) -> None:
    rows = [(at_ms + HOUR_MS, count) for at_ms, count in every(0, 50, 100)]
    assert INDEX not in counters(pulsed(home), rows, typed(30, 1_000.0))
    assert INDEX in counters(pulsed(home), rows, typed(65, 1_000.0))


def test_of_two_readings_for_one_instant_the_later_heard_stands_and_the_impossible_ones_fall(home: Site) -> None:
    dial = dial_of(home.meters[0])
    told = [typed(10, 5_500.0, 90), typed(10, 5_000.0, 20), typed(20, 1e8), typed(30, -1.0)]
    told.append(replace(typed(40, 0.0), values={"unreadable": 1.0}))
    told.append(replace(typed(50, 7_000.0), subject="meter-2"))
    assert anchors_of(told, "meter-1", dial) == ((START + 10 * MINUTE_MS, 5_500_000),)


HAPPENS = ["count"] * 6 + ["gap", "unheard", "dip", "restart", "typed", "mistyped"]
LIVES = st.lists(st.tuples(st.sampled_from(HAPPENS), st.integers(0, 250)), min_size=3, max_size=60)


def life(steps: list[tuple[str, int]]) -> tuple[Rows, list[Event], int]:
    """A device's counts, what was typed, and what the meter truly made. [Wh]

    "gap": an hour without us, the device counting on. "unheard": an hour in which pulses were lost.
    """
    rows: Rows = [(START, 1_000.0)]
    events, minute, true_wh, shown = [typed(0, 700_000.0)], 0, 0, 1_000
    for what, amount in steps:
        minute += 60 if what in ("gap", "unheard") else 5
        if what == "typed":
            events.append(typed(minute, 700_000.0 + true_wh))
        elif what == "mistyped":
            events.append(typed(minute, 700_000.0 + amount * 1000))
        elif what == "restart":
            shown = 0
        elif what != "dip":
            true_wh += amount
            shown += 0 if what == "unheard" else amount
        rows.append((START + minute * MINUTE_MS, float(0 if what == "dip" else shown)))
    return rows, events, true_wh


@settings(max_examples=120, deadline=None)
@given(LIVES, st.sampled_from([None, 16]))
def test_whatever_happens_energy_is_never_negative_and_never_beyond_pulses_and_dial(
    home: Site, steps: list[tuple[str, int]], bits: int | None
) -> None:
    rows, events, _ = life(steps)
    made = counters(pulsed(home, bits=bits), rows, *events, points=3 * POINTS_A_DAY)
    plain, index = list(made[COUNT].segments), list(made[INDEX].segments)
    assert all(one.wh is None or one.wh >= 0 for one in index)
    assert all(one.end_ms <= after.start_ms for one, after in pairwise(index))
    booked = [check.drift_wh for check in made[INDEX].dials if check.booked]
    assert total(made[INDEX]) == pytest.approx(total(made[COUNT]) + sum(one for one in booked if one is not None))
    changed = [(one, was) for one, was in zip(index, plain, strict=True) if one.wh != was.wh]
    assert all(one.flag is SegmentFlag.UNCOUNTED and one.end_ms - one.start_ms > 15 * MINUTE_MS for one, _ in changed)
    assert (made[INDEX].index_wh[~np.isnan(made[INDEX].index_wh)] >= 0).all()


@settings(max_examples=120, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["count", "count", "gap", "unheard", "typed"]), st.integers(0, 250)), max_size=50
    )
)
def test_between_true_readings_the_total_is_the_meters(home: Site, steps: list[tuple[str, int]]) -> None:
    """Where all that was lost was lost unheard, the energy up to the last typed reading is what the meter made.

    Less than a step of the dial may be lost without being noticed.
    """
    rows, events, true_wh = life([*steps, ("count", 0), ("typed", 0)])
    made = counters(pulsed(home), rows, *events, points=3 * POINTS_A_DAY)[INDEX]
    kept = sum(check.drift_wh or 0.0 for check in made.dials if not check.booked)
    assert total(made) + kept == pytest.approx(true_wh)
    assert all(check.booked or (check.drift_wh or 0.0) <= 100.0 + 500.0 for check in made.dials)


@settings(max_examples=60, deadline=None)
@given(LIVES, st.randoms(use_true_random=False))
def test_the_order_in_which_things_are_told_changes_nothing(
    home: Site, steps: list[tuple[str, int]], random: Random
) -> None:
    rows, events, _ = life(steps)
    shuffled = [*events, *events]
    random.shuffle(shuffled)
    one, other = (counters(pulsed(home), rows, *told, points=3 * POINTS_A_DAY)[INDEX] for told in (events, shuffled))
    assert list(one.segments) == list(other.segments)
    assert one.dials == other.dials
    np.testing.assert_array_equal(one.index_wh, other.index_wh)


@settings(max_examples=60, deadline=None)
@given(LIVES, st.integers(1, POINTS_A_DAY))
def test_in_one_state_of_knowledge_a_longer_window_begins_like_a_shorter_one(
    home: Site, steps: list[tuple[str, int]], points: int
) -> None:
    rows, events, _ = life(steps)
    end_ms = START + points * STEP_MS
    told = [event for event in events if event.at_ms <= end_ms]
    short, whole = (counters(pulsed(home), rows, *told, points=reach)[INDEX] for reach in (points, 3 * POINTS_A_DAY))
    assert short.dials == whole.dials
    np.testing.assert_array_equal(short.index_wh, whole.index_wh[:points])
    known = short.known_ms <= end_ms
    np.testing.assert_array_equal(short.energy_mwh[known], whole.energy_mwh[:points][known])
