"""Typed readings with their answers, and a meter's life as one total."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detect.made_homes import home_site
from watcher.align.typed import (
    Change,
    Interval,
    MeterLife,
    Since,
    Standing,
    TypedReading,
    continuous,
    intervals,
    life_of,
    typed_readings,
)
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import DAY_MS, HOUR_MS, parse_iso
from watcher.domain.site import Meter, Site, SiteRecord

START = parse_iso("2026-03-01T12:00Z")
Values = dict[str, str | float]


def record_of(site: Site, *meters: Meter) -> SiteRecord:
    return SiteRecord(site, site.arrays, site.inverters, meters or site.meters, site.sensors)


def typed(day: int, kwh: float, received: float | None = None, **values: str | float) -> Event:
    at_ms = START + day * DAY_MS
    received_ms = at_ms if received is None else START + round(received * DAY_MS)
    told: Values = {"energy_index": kwh * 1000.0, **values}
    return Event("home-1", EventKind.TYPED_READING, "meter-1", at_ms, received_ms, told)


def answer(about_day: int, said: str, on_day: int, **values: str | float) -> Event:
    told: Values = {"read_ms": float(START + about_day * DAY_MS), "answer": said, **values}
    at_ms = START + on_day * DAY_MS
    return Event("home-1", EventKind.ANSWER, "meter-1", at_ms, at_ms, told)


def good(day: float, kwh: float, serial: str = "") -> TypedReading:
    return TypedReading("meter-1", START + round(day * DAY_MS), kwh * 1000.0, serial=serial)


@pytest.mark.parametrize(
    ("answers", "standing", "kwh"),
    [
        pytest.param([], Standing.ASKED, 41_731.0, id="not answered"),
        pytest.param([answer(7, "confirmed", 8)], Standing.GOOD, 41_731.0, id="confirmed"),
        pytest.param([answer(7, "corrected", 8, energy_index=41_371e3)], Standing.GOOD, 41_371.0, id="corrected"),
        pytest.param([answer(7, "withdrawn", 8)], Standing.WITHDRAWN, 41_731.0, id="withdrawn"),
        pytest.param(
            [answer(7, "withdrawn", 8), answer(7, "confirmed", 9)], Standing.GOOD, 41_731.0, id="the last word counts"
        ),
        pytest.param([answer(6, "confirmed", 8)], Standing.ASKED, 41_731.0, id="about another reading"),
        pytest.param([answer(7, "perhaps", 8)], Standing.ASKED, 41_731.0, id="no known word"),
        pytest.param([answer(7, "corrected", 8)], Standing.ASKED, 41_731.0, id="corrected to nothing"),
    ],
)
def test_an_answer_says_what_a_reading_is_worth_and_what_was_typed_stays(
    answers: list[Event], standing: Standing, kwh: float
) -> None:
    events = [typed(0, 41_289), typed(7, 41_731, standing="asked", typed="41731"), *answers]
    first, second = typed_readings(events, "meter-1")
    assert first.standing is Standing.GOOD
    assert (second.standing, second.index_wh) == (standing, kwh * 1000)
    assert (second.typed, second.typed_wh) == ("41731", 41_731e3)


def test_of_two_readings_of_one_instant_the_one_received_last_stands() -> None:
    events = [typed(7, 41_371, received=9), typed(7, 41_317, received=8), typed(3, 41_320, received=10)]
    assert [one.index_wh for one in typed_readings(events, "meter-1")] == [41_320e3, 41_371e3]


def test_readings_of_another_meter_and_readings_without_an_index_are_none() -> None:
    other = replace(typed(3, 5.0), subject="meter-2")
    unclear = replace(typed(4, 5.0), values={"energy_index": "5 or 6"})
    assert typed_readings([other, unclear], "meter-1") == ()


def test_a_reading_that_is_not_good_is_in_no_total(home: Site) -> None:
    life = MeterLife(record_of(home), "meter-1")
    rows = [good(0, 100), replace(good(30, 900), standing=Standing.ASKED), good(60, 300)]
    assert intervals(continuous(rows, life)) == (Interval(rows[0].at_ms, rows[2].at_ms, 200e3),)


def test_case_b2_p1_an_announced_exchange_goes_on_in_one_total(home: Site) -> None:
    out_ms, in_ms = parse_iso("2026-03-14T10:20Z"), parse_iso("2026-03-14T11:05Z")
    told: Values = {
        "what": "exchanged", "final_index": 23_871_400.0, "final_serial": "M-001", "opened_ms": float(in_ms),
        "opening_index": 200.0, "serial": "M-002", "certified_until": "2041-12-31",
    }  # fmt: skip
    exchange = Event("home-1", EventKind.METER_EXCHANGE, "meter-1", out_ms, in_ms + HOUR_MS, told)
    life = life_of(record_of(home), [exchange], "meter-1")
    totals = continuous([good(0, 23_800.0), good(60, 500.7)], life)
    assert [(one.wh, one.since) for one in totals] == [
        (23_800_000.0, Since.NOTHING),
        (23_871_400.0, Since.COUNTED),
        (23_871_400.0, Since.NOT_METERED),
        (pytest.approx(23_871_400.0 + (500_700 - 200)), Since.COUNTED),
    ]
    assert [(one.start_ms, one.end_ms) for one in intervals(totals)] == [
        (START, out_ms),
        (in_ms, START + 60 * DAY_MS),
    ]
    assert (life.serial_at(out_ms), life.serial_at(in_ms)) == ("M-001", "M-002")
    assert life.changes[0].certified_until == "2041-12-31"


def test_case_b2_p2_a_fall_that_nobody_explained_is_no_energy(home: Site) -> None:
    totals = continuous(
        [good(0, 23_800.0), good(7, 23_871.4), good(8, 0.2), good(15, 60.2)], MeterLife(record_of(home), "meter-1")
    )
    assert [one.since for one in totals] == [Since.NOTHING, Since.COUNTED, Since.NOTHING, Since.COUNTED]
    assert [one.wh for one in intervals(totals)] == [pytest.approx(71_400.0), pytest.approx(60_000.0)]


@pytest.mark.parametrize(
    ("change", "expected_kwh"),
    [
        pytest.param(Change(START + DAY_MS, START + DAY_MS, 110e3, 0.0), [10.0, 5.0], id="all known"),
        pytest.param(Change(START + DAY_MS, START + DAY_MS, None, 0.0), [5.0], id="no final index"),
        pytest.param(Change(START + DAY_MS, START + DAY_MS, 110e3, None), [10.0], id="no opening index"),
        pytest.param(Change(START + DAY_MS, START + DAY_MS), [], id="neither"),
    ],
)
def test_what_was_not_written_down_at_an_exchange_is_no_energy(
    home: Site, change: Change, expected_kwh: list[float]
) -> None:
    life = MeterLife(record_of(home), "meter-1", (change,))
    found = intervals(continuous([good(0, 100.0), good(2, 5.0)], life))
    assert [one.wh / 1000 for one in found if one.end_ms > one.start_ms] == expected_kwh


def test_another_serial_on_file_is_an_exchange_too(home: Site) -> None:
    old = replace(home.meters[0], serial="M-001")
    new = replace(old, serial="M-002", from_ms=START + 5 * DAY_MS)
    life = life_of(record_of(home, old, new), [], "meter-1")
    assert [(one.final_serial, one.serial) for one in life.changes] == [("M-001", "M-002")]
    assert intervals(continuous([good(0, 100.0), good(9, 130.0)], life)) == ()


def test_readings_of_two_serials_are_not_one_series(home: Site) -> None:
    life = MeterLife(record_of(home), "meter-1")
    assert intervals(continuous([good(0, 100.0, "M-001"), good(9, 130.0, "M-002")], life)) == ()


def test_case_b3_a_roll_over_goes_on_and_an_impossible_one_does_not(home: Site) -> None:
    life = MeterLife(record_of(home, replace(home.meters[0], decimals=0)), "meter-1")
    week = continuous([good(0, 99_987), good(7, 42)], life)
    assert [one.wh for one in intervals(week)] == [55_000.0]
    for fall in ([good(0, 99_987), good(7, 99_942)], [good(0, 54_210), good(7, 150)], [good(0, 99_987), good(1, 42)]):
        assert intervals(continuous(fall, life)) == ()


@given(st.lists(st.floats(0.0, 300.0), min_size=1, max_size=30), st.integers(0, 99_999))
def test_totals_add_up_however_often_the_register_goes_round(gains: list[float], first: int) -> None:
    site = home_site()
    life = MeterLife(record_of(site), "meter-1")
    shown, rows = float(first), [good(0, float(first))]
    for week, gain in enumerate(gains, start=1):
        shown = (shown + gain) % 100_000
        rows.append(good(30 * week, shown))
    found = intervals(continuous(rows, life))
    assert sum(one.wh for one in found) / 1000 == pytest.approx(sum(gains), abs=1e-3)
