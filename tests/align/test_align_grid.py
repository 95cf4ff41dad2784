"""Counters on the grid, and the whole window."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.align.build import build_window
from watcher.align.facts import counter_facts
from watcher.align.window import Counter, SegmentFlag, Window
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.quantity import channel
from watcher.domain.reading import Samples
from watcher.domain.site import MeterRole, Site, Storage

START = parse_iso("2026-06-21T00:00Z")
POINTS = 288
INDEX = "inverter-1.ac_energy"


def window_of(
    site: Site, rows: list[tuple[int, float]], events: tuple[Event, ...] = (), points: int = POINTS, name: str = INDEX
) -> Window:
    return build_window(site, {name: Samples.of(rows)}, events, START, points)


def counter_of(site: Site, rows: list[tuple[int, float]], name: str = INDEX) -> Counter:
    counter = window_of(site, rows, name=name).counter(name)
    assert counter is not None
    return counter


def test_readings_on_the_grid_fill_their_intervals_at_once(home: Site) -> None:
    counter = counter_of(home, [(START, 100.0), (START + GRID_MS, 110.0), (START + 2 * GRID_MS, 125.0)])
    assert counter.energy_mwh[:3].tolist()[:2] == [10_000, 15_000]
    assert math.isnan(counter.energy_mwh[2])
    assert counter.known_ms[:2].tolist() == [START + GRID_MS, START + 2 * GRID_MS]
    assert counter.booked_mwh[:3].tolist() == [10_000, 15_000, 0]
    assert counter.index_wh[:3].tolist() == [110.0, 125.0, 125.0]


def test_readings_off_the_grid_share_their_energy_and_are_known_a_point_later(home: Site) -> None:
    counter = counter_of(home, [(START + MINUTE_MS, 100.0), (START + GRID_MS + MINUTE_MS, 105.0)])
    assert counter.energy_mwh[:2].tolist() == [4_000, 1_000]
    assert counter.known_ms[0] == START + 2 * GRID_MS
    assert counter.booked_mwh[:3].tolist() == [0, 5_000, 0]


def test_an_interval_in_which_readings_cease_may_be_used_once_nothing_more_can_touch_it(home: Site) -> None:
    counter = counter_of(home, [(START, 100.0), (START + 7 * MINUTE_MS, 107.0)])
    assert counter.energy_mwh[:2].tolist() == [5_000, 2_000]
    assert counter.known_ms[:2].tolist() == [START + 2 * GRID_MS, START + 2 * GRID_MS + 15 * MINUTE_MS]


@pytest.mark.parametrize(
    ("minutes", "spread", "booked"),
    [
        pytest.param(15, True, True, id="a quarter of an hour"),
        pytest.param(16, False, False, id="longer than the source's own pace"),
    ],
)
def test_only_short_steps_are_spread(home: Site, minutes: int, spread: bool, booked: bool) -> None:
    counter = counter_of(home, [(START, 100.0), (START + minutes * MINUTE_MS, 400.0)])
    assert bool(np.nansum(counter.energy_mwh)) is spread
    assert bool(counter.booked_mwh.sum()) is booked
    assert counter.segments[0].wh == 300.0


def test_what_was_heard_and_what_moved_are_told_apart(home: Site) -> None:
    rows = [(START + 1, 100.0), (START + GRID_MS, 110.0), (START + 2 * GRID_MS, 110.0), (START + 3 * GRID_MS, 3.0)]
    counter = counter_of(home, rows)
    assert counter.seen_ms[:4].tolist() == [*(START + place * GRID_MS for place in (1, 2, 3)), START + 3 * GRID_MS]
    assert counter.moved_ms[:4].tolist() == [START + GRID_MS] * 4
    assert counter.index_wh[:4].tolist() == [110.0] * 4


def test_nothing_is_seen_before_the_first_reading(home: Site) -> None:
    counter = counter_of(home, [(START + GRID_MS + 1, 100.0)])
    assert (counter.seen_ms[0], counter.moved_ms[0]) == (0, 0)
    assert math.isnan(counter.index_wh[0])
    assert counter.index_wh[1] == 100.0


def test_samples_outside_the_window_count_for_nothing(home: Site) -> None:
    end_ms = START + POINTS * GRID_MS
    rows = [(START - 1, 1.0), (START, 100.0), (end_ms, 110.0), (end_ms + 1, 120.0)]
    assert [segment.wh for segment in counter_of(home, rows).segments] == [10.0]


def identity(at_ms: int, serial: str, received_ms: int | None = None, subject: str = "inverter-1") -> Event:
    return Event(
        "home-1", EventKind.IDENTITY, subject, at_ms, at_ms if received_ms is None else received_ms, {"serial": serial}
    )


RESTARTED_ROWS = [(START, 5e7), (START + GRID_MS, 5e7), *((START + k * GRID_MS, 2.0 * k) for k in range(2, 6))]


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        pytest.param((), [0.0], id="nothing said"),
        pytest.param((identity(START, "A"), identity(START + 9 * MINUTE_MS, "B")), [0.0, 2.0, 2.0, 2.0], id="serial"),
        pytest.param((identity(START, "A"), identity(START + 9 * MINUTE_MS, "A")), [0.0], id="same serial"),
        pytest.param((identity(START + 9 * MINUTE_MS, "B"),), [0.0], id="first serial ever"),
        pytest.param((identity(START, "A"), identity(START + 9 * MINUTE_MS, "")), [0.0], id="no serial"),
        pytest.param(
            (identity(START, "A"), identity(START + 9 * MINUTE_MS, "B", subject="inverter-2")), [0.0], id="another's"
        ),
        pytest.param(
            (identity(START, "A"), identity(START + 9 * MINUTE_MS, "B", START + 22 * MINUTE_MS)),
            [0.0, 6.0],
            id="heard of at the point of 00:25",
        ),
        pytest.param(
            (Event("home-1", EventKind.METER_EXCHANGE, "inverter-1", START + 6 * MINUTE_MS, START + 6 * MINUTE_MS),),
            [0.0, 2.0, 2.0, 2.0],
            id="exchange",
        ),
    ],
)
def test_a_fall_is_a_restart_when_someone_says_so(home: Site, events: tuple[Event, ...], expected: list[float]) -> None:
    counter = window_of(home, RESTARTED_ROWS, events).counter(INDEX)
    assert counter is not None
    assert [segment.wh for segment in counter.segments] == expected


def test_a_generation_meter_goes_round_at_its_digits_but_no_load_meter_does(home: Site) -> None:
    rows = [(START, 99_999_900.0), (START + GRID_MS, 0.0), (START + 2 * GRID_MS, 100.0)]
    counter = counter_of(home, rows, "meter-1.energy_index")
    assert [(segment.wh, segment.flag) for segment in counter.segments] == [(200.0, SegmentFlag.ROLLED_OVER)]
    assert list(counter_of(home, rows, "meter-9.energy_index").segments) == []


@pytest.mark.parametrize(
    ("change", "name", "capacity_w", "modulus_wh", "full_hours"),
    [
        pytest.param({}, "inverter-1.ac_energy", 3_680.0, 2.0**32, 12.0, id="inverter"),
        pytest.param({}, "inverter-1.battery_charge_energy", None, None, 12.0, id="battery energy"),
        pytest.param({}, "meter-1.energy_index", 3_680.0, 1e8, 12.0, id="generation meter"),
        pytest.param({"role": MeterRole.LOAD}, "meter-1.energy_index", None, 1e8, 12.0, id="load meter"),
        pytest.param(
            {"covers": ("inverter-1", "battery-1")},
            "meter-1.energy_index",
            None,
            1e8,
            12.0,
            id="a battery behind it too",
        ),
        pytest.param(
            {"storage": Storage.DC}, "meter-1.energy_index", 3_680.0, 1e8, 24.0, id="a battery on the DC side"
        ),
        pytest.param(
            {"ac_limit_w": 0.0}, "meter-1.energy_index", 4_000.0, 1e8, 12.0, id="only the array's rating known"
        ),
        pytest.param({}, "meter-9.energy_index", None, None, 12.0, id="a device without a record"),
    ],
)
def test_a_counter_is_bounded_by_what_the_record_supports(
    home: Site,
    change: dict[str, Any],
    name: str,
    capacity_w: float | None,
    modulus_wh: float | None,
    full_hours: float,
) -> None:
    inverter, meter = home.inverters[0], home.meters[0]
    if change.keys() & {"storage", "ac_limit_w"}:
        inverter = replace(inverter, **change)
    else:
        meter = replace(meter, **change)
    facts = counter_facts(replace(home, inverters=(inverter,), meters=(meter,)), channel(name))
    assert facts is not None
    assert (facts.capacity_w, facts.modulus_wh, facts.full_hours) == (capacity_w, modulus_wh, full_hours)


def test_pulses_of_unknown_worth_are_no_energy(home: Site) -> None:
    assert window_of(home, [(START, 1.0), (START + 1, 2.0)], name="meter-1.pulse_count").counters == {}


def test_gauges_take_period_and_label_from_their_source(home: Site) -> None:
    raw = {
        "weather-analysis.ghi": Samples.of([(START + HOUR_MS, 300.0)]),
        "weather-nowcast.ghi": Samples.of([(START + HOUR_MS, 300.0)]),
        "weather-forecast.ghi": Samples.of([(START + HOUR_MS, 300.0)]),
        "inverter-1.ac_power": Samples(),
    }
    window = build_window(home, raw, (), START, POINTS)
    filled = {name: np.flatnonzero(~np.isnan(gauge.value)).tolist() for name, gauge in window.gauges.items()}
    assert filled == {
        "weather-analysis.ghi": list(range(12)),
        "weather-nowcast.ghi": [11],
        "weather-forecast.ghi": [12],
    }


def test_an_unknown_channel_is_an_error(home: Site) -> None:
    with pytest.raises(ValueError, match="no known quantity"):
        window_of(home, [(START, 1.0)], name="inverter-1.efficiency")


READINGS = st.lists(
    st.tuples(st.integers(1_000, 20 * MINUTE_MS), st.one_of(st.integers(0, 60), st.sampled_from([-5, -(10**9)]))),
    min_size=2,
    max_size=80,
)


def readings_of(steps: list[tuple[int, int]]) -> list[tuple[int, float]]:
    """A register that counts; at a negative step one reading falls by that much, to 0 at the lowest."""
    rows, at_ms, true_wh = [(START, 5_000.0)], START, 5_000
    for step_ms, gain in steps:
        at_ms += step_ms
        true_wh += max(0, gain)
        rows.append((at_ms, float(max(0, true_wh + min(0, gain)))))
    return rows


@given(READINGS)
@settings(max_examples=100, deadline=None)
def test_the_grid_adds_up_to_the_segments_exactly(home: Site, steps: list[tuple[int, int]]) -> None:
    counter = counter_of(home, readings_of(steps))
    short = [s for s in counter.segments if s.wh is not None and s.end_ms - s.start_ms <= 15 * MINUTE_MS]
    assert np.nansum(counter.energy_mwh) == sum(round(1000 * (s.wh or 0)) for s in short)
    assert counter.booked_mwh.sum() == sum(round(1000 * (s.wh or 0)) for s in short)
    assert not np.any(counter.energy_mwh < 0)


@given(READINGS, st.integers(1, 80), st.integers(1, 300))
@settings(max_examples=200, deadline=None)
def test_what_may_be_used_at_a_grid_point_does_not_depend_on_later_readings(
    home: Site, steps: list[tuple[int, int]], cut: int, points: int
) -> None:
    rows = readings_of(steps)
    next_ms = rows[cut][0] if cut < len(rows) else START + POINTS * GRID_MS
    # The last point whose readings are all there: one at the point itself still belongs to it.
    used = max(0, (next_ms - 1 - START) // GRID_MS)
    points = max(used, points, 1)
    whole = counter_of(home, rows)
    part = window_of(home, rows[:cut], points=points).counter(INDEX)
    assert part is not None
    point_ms = START + used * GRID_MS
    for name in ("booked_mwh", "index_wh", "seen_ms", "moved_ms"):
        np.testing.assert_array_equal(getattr(part, name)[:used], getattr(whole, name)[:used])
    usable = [
        np.where(counter.known_ms[:used] <= point_ms, counter.energy_mwh[:used], math.nan) for counter in (part, whole)
    ]
    np.testing.assert_array_equal(*usable)
