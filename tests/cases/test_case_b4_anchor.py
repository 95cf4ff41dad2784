"""Field case B4, second part: pulses missed while the computer was off, told by a reading typed from the display."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import METER, SOUTH, home_site
from watcher.align.build import build_window
from watcher.align.days import energy_by_day
from watcher.align.window import DialCheck, SegmentFlag, Window
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY, local_day_of, parse_iso
from watcher.domain.reading import Samples

START = parse_iso("2026-06-21T00:00Z")
SITE = home_site(SOUTH, meters=(replace(METER, pulses_per_kwh=1000.0, decimals=1),))
OFF, ON, NOON = START + 8 * HOUR_MS, START + 11 * HOUR_MS, START + 12 * HOUR_MS
COUNT, INDEX = "meter-1.pulse_count", "meter-1.energy_index"


def typed(at_ms: int, index_wh: float) -> Event:
    return Event(SITE.id, EventKind.TYPED_READING, "meter-1", at_ms, at_ms, {"energy_index": index_wh})


FIRST, SECOND = typed(START + 6 * HOUR_MS, 4_210_300.0), typed(NOON, 4_214_300.0)


def counts() -> list[tuple[int, float]]:
    """4,210.3 at six, 4,211.1 at noon, and nothing while the computer is off: its count goes on where it stopped."""
    rows = []
    for minute in range(13 * 60):
        at_ms = START + minute * MINUTE_MS
        seen = min(400, max(0, (minute - 360) * 400 // 120)) + min(400, max(0, (minute - 660) * 400 // 60))
        if not OFF < at_ms < ON:
            rows.append((at_ms, 50_000.0 + seen))
    return rows


def window(*events: Event, up: tuple[str, ...] = ()) -> Window:
    """up: what said that it was there from eight to eleven as well."""
    raw = {COUNT: Samples.of(counts())}
    for name in {"board.uptime", "board.meter-1.uptime", *up} if up else {"board.uptime"}:
        times = range(START, START + 13 * HOUR_MS, 5 * MINUTE_MS)
        raw[name] = Samples.of((at_ms, 1.0) for at_ms in times if name in up or not OFF < at_ms < ON)
    return build_window(SITE, raw, events, START, POINTS_A_DAY)


def test_case_b4_what_the_pulses_missed_is_booked_over_the_hours_in_which_nobody_listened() -> None:
    index = window(FIRST, SECOND).counters[INDEX]
    (missed,) = [one for one in index.segments if one.flag is SegmentFlag.UNCOUNTED]
    assert (missed.start_ms, missed.end_ms, missed.wh) == (OFF, ON, 3_200.0)
    assert {one.flag for one in index.segments} == {SegmentFlag.COUNTED, SegmentFlag.UNCOUNTED}
    assert sum(one.wh or 0.0 for one in index.segments if OFF < one.end_ms <= NOON) == 3_600.0


def test_case_b4_the_index_is_the_dial_and_there_is_no_step_at_noon() -> None:
    made = window(FIRST, SECOND)
    index = made.counters[INDEX].index_wh
    assert index[made.index_of(START + 6 * HOUR_MS)] == 4_210_300.0
    assert index[made.index_of(OFF)] == 4_210_700.0
    assert index[made.index_of(ON)] == 4_213_900.0
    assert index[made.index_of(NOON)] == 4_214_300.0
    assert np.nanmax(np.diff(index[made.index_of(ON) :])) < 50.0


def test_case_b4_the_drift_is_kept_beside_each_reading() -> None:
    assert window(FIRST, SECOND).counters[INDEX].dials == (
        DialCheck(FIRST.at_ms, 4_210_300.0, None),
        DialCheck(NOON, 4_214_300.0, 3_200.0, booked=True),
    )


def test_case_b4_the_pulses_stay_as_recorded_and_nothing_long_is_spread() -> None:
    plain, told = window(), window(FIRST, SECOND)
    assert INDEX not in plain.counters
    before, after = plain.counters[COUNT], told.counters[COUNT]
    assert list(before.segments) == list(after.segments)
    index = told.counters[INDEX]
    for name in ("energy_mwh", "known_ms", "booked_mwh", "seen_ms", "moved_ms"):
        np.testing.assert_array_equal(getattr(before, name), getattr(index, name))


def test_case_b4_before_the_second_reading_is_heard_nothing_was_missed() -> None:
    index = window(FIRST).counters[INDEX]
    assert {one.flag for one in index.segments} == {SegmentFlag.COUNTED}
    assert index.index_wh[window().index_of(NOON)] == 4_211_100.0


def test_case_b4_where_we_listened_all_the_time_the_difference_is_drift_and_no_energy() -> None:
    index = window(FIRST, SECOND, up=("board.meter-1.uptime",)).counters[INDEX]
    assert index.dials[1] == DialCheck(NOON, 4_214_300.0, 3_200.0)
    assert sum(one.wh or 0.0 for one in index.segments) == 800.0
    (put_right,) = [one for one in index.segments if one.flag is SegmentFlag.ANCHORED]
    assert put_right.start_ms < NOON <= put_right.end_ms


def test_case_b4_a_line_that_was_blind_was_not_listened_to_though_the_computer_was_up() -> None:
    index = window(FIRST, SECOND, up=("board.uptime",)).counters[INDEX]
    assert index.dials[1].booked


@pytest.mark.parametrize(
    ("dial_wh", "why"),
    [
        pytest.param(4_210_900.0, "below the pulses", id="a dial below the pulses takes no energy away"),
        pytest.param(4_310_300.0, "too much", id="more than the plant can make in those hours"),
    ],
)
def test_case_b4_what_cannot_have_been_missed_is_drift(dial_wh: float, why: str) -> None:
    index = window(FIRST, typed(NOON, dial_wh)).counters[INDEX]
    assert [one.wh for one in index.segments] == [one.wh for one in window().counters[COUNT].segments], why
    assert index.dials[1] == DialCheck(NOON, dial_wh, dial_wh - 4_211_100.0)


def test_case_b4_the_missed_energy_belongs_to_its_day() -> None:
    day = local_day_of(NOON, SITE.zone)
    raw = {COUNT: Samples.of(counts())}
    made = build_window(SITE, raw, (FIRST, SECOND), START - DAY_MS, 3 * POINTS_A_DAY)
    light = np.ones(made.points, dtype=bool)
    assert energy_by_day(made, INDEX, light, SITE.zone)[day] == 4_000.0
    assert energy_by_day(made, COUNT, light, SITE.zone)[day] == 800.0
