"""What is a pulse: tables of single lines, and properties of any."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.pulse.train import FLOOD_NS, MS, STEADY_NS, PulseTrain, Timing

Changes = list[tuple[int, bool]]
"""Instants in ns and whether the line is active from then on."""


def heard(changes: Iterable[tuple[int, bool]], until_ns: int = 0, timing: Timing | None = None) -> PulseTrain:
    train = PulseTrain(timing)
    for at_ns, active in changes:
        train.edge(at_ns, active)
    train.advance(until_ns)
    return train


def line(*lengths_ms: float) -> Changes:
    """Active for the first length, then not for the second, and so on."""
    at, active, changes = MS, True, Changes()
    for length in lengths_ms:
        changes.append((at, active))
        at, active = at + round(length * MS), not active
    changes.append((at, active))
    return changes


def all_of(train: PulseTrain) -> tuple[object, ...]:
    return train.count, train.too_fast, dict(train.refused), train.flooded


LATER = 60_000 * MS


@pytest.mark.parametrize(
    ("lengths_ms", "count"),
    [
        pytest.param((30,), 1, id="the shortest there is (IEC 62053-31: 30 ms)"),
        pytest.param((29.9,), 0, id="a little shorter"),
        pytest.param((500,), 1, id="the longest an output is set to (makers' manuals: 500 ms)"),
        pytest.param((30, 30, 30), 2, id="the shortest pause there is (IEC 62053-31: 30 ms)"),
        pytest.param((50, 20, 50), 1, id="a shorter pause ends no pulse"),
        pytest.param((50, 20, 50, 20, 50, 100, 50), 2, id="several shorter pauses"),
        pytest.param((1,), 0, id="a spike"),
        pytest.param((20, 10, 20, 10, 20, 200), 0, id="three stretches that are too short"),
        pytest.param((2, 2, 28), 1, id="a transition may bounce for 5 ms (IEC 62053-31)"),
        pytest.param((2, 5, 26), 0, id="an interruption as long as that is none"),
        pytest.param((2, 5, 30), 1, id="but what comes after it is one"),
        pytest.param((3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3), 0, id="nothing but bouncing"),
        pytest.param((50, 100, 1, 100, 50), 2, id="a spike in a pause"),
        pytest.param((50, 15, 1, 14, 50), 2, id="a spike in the shortest pause"),
    ],
)
def test_a_pulse_is_a_level_that_was_held(lengths_ms: tuple[float, ...], count: int) -> None:
    assert heard(line(*lengths_ms), LATER).count == count


def test_a_pulse_under_way_at_the_start_was_perhaps_counted_before_and_is_not() -> None:
    assert heard([(100 * MS, False), (300 * MS, True), (350 * MS, False)], LATER).count == 1


def test_a_light_that_stays_on_means_no_load_and_adds_nothing() -> None:
    train = heard(line(50, 500, STEADY_NS / MS + 1, 500, 50), LATER)
    assert train.count == 2
    assert train.refused == {"steady": 1}
    assert heard([(MS, True)], 10**15).count == 0


def test_a_light_that_blinks_for_a_few_milliseconds_is_counted_where_the_site_says_so() -> None:
    lengths = (5, 400) * 20
    assert heard(line(*lengths), LATER).count == 0
    assert heard(line(*lengths), LATER, Timing.of(4.0, None, None)).count == 20


def flicker(chance: random.Random, from_ns: int, to_ns: int) -> Changes:
    changes, at, active = Changes(), from_ns, True
    while at < to_ns or not active:
        changes.append((at, active))
        at, active = at + round(chance.uniform(1, 32) * MS), not active
    return [*changes, (at, active)][: len(changes) // 2 * 2]


@pytest.mark.parametrize("seed", range(5))
def test_sunlight_on_the_sensor_is_no_value_and_no_pulses(seed: int) -> None:
    chance = random.Random(seed)
    train = heard(flicker(chance, MS, 2 * FLOOD_NS))
    assert train.flooded
    before = train.count  # until it is known for what it is, something may look like a pulse
    for at_ns, active in flicker(chance, 2 * FLOOD_NS + 100 * MS, 40 * FLOOD_NS):
        train.edge(at_ns, active)
    assert train.flooded
    assert train.count == before < 40
    # In the shade again: after FLOOD_NS of calm, all is as before.
    train.advance(42 * FLOOD_NS)
    assert not train.flooded
    for at_ns, active in line(*(50, 950) * 20):
        train.edge(43 * FLOOD_NS + at_ns, active)
    train.advance(50 * FLOOD_NS)
    assert train.count == before + 20


def test_a_bouncing_contact_is_no_flood() -> None:
    one = (0.5, 0.5) * 4 + (50,) + (0.5, 0.5) * 4 + (850,)
    train = heard(line(*one * 200), 200 * 1000 * MS)
    assert (train.count, train.flooded) == (200, False)


def test_a_flicker_belongs_to_the_time_at_which_it_was_over_however_it_is_handed_over() -> None:
    """Nineteen flickers before the end of a stretch of FLOOD_NS and one across it are no flood."""
    changes = [(n * 400 * MS + one * MS, one == 0) for n in range(1, 20) for one in (0, 1)]
    changes += [(FLOOD_NS - 3 * MS, True), (FLOOD_NS - MS, False)]
    step_by_step = heard([*changes, (FLOOD_NS + 100 * MS, True)])
    at_once, early = heard(changes, FLOOD_NS + 100 * MS), heard(changes, FLOOD_NS + MS)
    assert (step_by_step.flooded, at_once.flooded, early.flooded) == (False, False, False)
    sooner = [*changes[:-2], (FLOOD_NS - 30 * MS, True), (FLOOD_NS - 20 * MS, False)]
    assert heard(sooner, FLOOD_NS + 100 * MS).flooded


def test_edges_that_were_lost_or_come_late_are_counted_and_the_count_goes_on() -> None:
    changes = [(0, True), (50 * MS, False), (400 * MS, True), (500 * MS, True), (550 * MS, False), (549 * MS, True)]
    train = heard([*changes, (600 * MS, False), (2000 * MS, True), (2050 * MS, False)], LATER)
    assert train.refused == {"missing": 1, "late": 1}
    assert train.count == 3


def test_time_that_began_anew_costs_no_count() -> None:
    train = heard([(10**15 + at_ns, active) for at_ns, active in line(50, 500, 50, 500)])
    for at_ns, active in line(50, 500, 50, 500):
        train.edge(at_ns, active)
    train.advance(LATER)
    assert train.count == 4


@pytest.mark.parametrize(
    ("constant", "apart_s"),
    [(100, 9.783), (800, 1.2228), (1000, 0.9783)],  # reference-values.md 3.2 (computed), at 3.68 kW
)
def test_how_far_pulses_are_apart_at_rated_power(constant: float, apart_s: float) -> None:
    assert Timing.of(30, constant, 3680 / 1.25).least_apart_ns / 1e9 == pytest.approx(apart_s, rel=1e-4)


def test_the_shortest_pulses_and_pauses_are_sixty_kilowatts_at_a_thousand_for_a_kilowatt_hour() -> None:
    # reference-values.md 3.2: the highest power at the 60 ms minimum period is 60 kW at 1000 imp/kWh (computed).
    train = heard(line(*(30, 30) * 1000), LATER + 10**12)
    assert train.count == 1000
    assert train.count / 1000 * 3600 / 60.0 == pytest.approx(60.0)  # kWh in 60 s, as kW


# Properties

stretches = st.lists(st.tuples(st.integers(41, 400), st.integers(41, 3000)), min_size=1, max_size=30)


@st.composite
def bounced(draw: st.DrawFn) -> tuple[int, Changes]:
    """Some pulses, and their edges with bounces at every transition and a spike anywhere in each stretch."""
    pulses = draw(stretches)
    at, active, changes = 10 * MS, True, Changes()
    for length_ms in (length for pair in pulses for length in pair):
        changes.append((at, active))
        inside = at
        for _ in range(draw(st.integers(0, 2))):
            for level in (not active, active):
                inside += draw(st.integers(1, 700_000))
                changes.append((inside, level))
        end = at + length_ms * MS
        if draw(st.booleans()):
            spike = draw(st.integers(inside + 1, end - MS - 2))
            changes += [(spike, not active), (spike + draw(st.integers(1, MS)), active)]
        at, active = end, not active
    return len(pulses), changes


@given(bounced())
def test_bounces_and_spikes_anywhere_never_change_the_count(made: tuple[int, Changes]) -> None:
    pulses, changes = made
    assert heard(changes, changes[-1][0] + LATER).count == pulses


any_line = st.lists(st.integers(1, 90 * MS), max_size=300).map(lambda gaps: _alternating(gaps))


def _alternating(gaps: Sequence[int]) -> Changes:
    at, active, changes = 0, True, Changes()
    for gap in gaps:
        at += gap
        changes.append((at, active))
        active = not active
    return changes


@given(any_line, st.data())
def test_splitting_a_line_anywhere_changes_nothing(changes: Changes, data: st.DataObject) -> None:
    whole, split = heard(changes, LATER), PulseTrain()
    for (at_ns, active), after in zip(changes, [*changes, (LATER, False)][1:], strict=True):
        split.edge(at_ns, active)
        for between in sorted(data.draw(st.lists(st.integers(at_ns, after[0]), max_size=2))):
            split.advance(between)
    split.advance(LATER)
    assert all_of(split) == all_of(whole)


@given(st.lists(st.tuples(st.integers(-20 * MS, 90 * MS), st.booleans()), max_size=300))
def test_whatever_comes_the_count_never_falls_and_is_never_more_than_the_time_holds(
    steps: list[tuple[int, bool]],
) -> None:
    train, at, latest, count = PulseTrain(), 0, 0, 0
    for gap, active in steps:
        at += gap
        latest = max(latest, at)
        train.edge(at, active)
        assert train.count >= count
        count = train.count
    assert count * 60 * MS <= latest + 60 * MS
