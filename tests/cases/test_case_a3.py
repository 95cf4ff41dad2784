"""Case A3: the lifetime energy reads 0 while the inverter wakes, or begins again after an exchange."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from watcher.align.build import build_window
from watcher.align.days import energy_by_day
from watcher.align.window import Counter, SegmentFlag
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, Site, Source, SourceKind

SITE = Site(
    "home-1",
    "Home",
    53.5,
    -2.2,
    50.0,
    ZoneInfo("Europe/London"),
    inverters=(Inverter("inverter-1", 3680.0),),
    sources=(Source(SourceKind.MODBUS_TCP, "inverter-1", every_s=300.0),),
)
START = parse_iso("2026-06-21T00:00Z")
WAKING = [("05:58", 48_210_650), ("06:02", 0), ("06:07", 0), ("06:12", 48_210_655), ("06:17", 48_210_671)]


def at(text: str) -> int:
    return parse_iso(f"2026-06-21T{text}Z")


def counter_of(rows: list[tuple[int, float]], events: tuple[Event, ...] = ()) -> Counter:
    window = build_window(SITE, {"inverter-1.ac_energy": Samples.of(rows)}, events, START, 288)
    return window.counters["inverter-1.ac_energy"]


def total_wh(counter: Counter) -> float:
    return sum(segment.wh or 0.0 for segment in counter.segments)


@pytest.mark.parametrize(
    "zeros", [pytest.param(True, id="zeros arrive"), pytest.param(False, id="zeros were left out")]
)
def test_case_a3_waking_zeros_are_no_value(zeros: bool) -> None:
    counter = counter_of([(at(text), float(value)) for text, value in WAKING if zeros or value])
    assert [(segment.wh, segment.flag is SegmentFlag.RESTARTED) for segment in counter.segments] == [
        (5.0, False),
        (16.0, False),
    ]
    assert counter.segments[0].start_ms == at("05:58")
    assert counter.booked_mwh.sum() == 21_000


def test_case_a3_the_day_has_no_jump() -> None:
    rows = [(at(text), float(value)) for text, value in WAKING]
    window = build_window(SITE, {"inverter-1.ac_energy": Samples.of(rows)}, (), START, 288)
    sun_up = (window.ends() > at("04:00")) & (window.ends() < at("20:30"))
    assert energy_by_day(window, "inverter-1.ac_energy", sun_up, ZoneInfo("UTC")) == {date(2026, 6, 21): 21.0}


# Variant R: the series of the new device, then 140 Wh reached and held for the rest of the day.
NEW_SERIES = [0.0, 4.0, 11.0, 38.0, 140.0]


def restarted(every_ms: int) -> list[tuple[int, float]]:
    first_ms = at("06:02")
    values = NEW_SERIES + [140.0] * 40
    return [(at("05:58"), 48_210_650.0), *((first_ms + place * every_ms, v) for place, v in enumerate(values))]


SWAPPED = tuple(
    Event("home-1", EventKind.IDENTITY, "inverter-1", ms, ms, {"serial": serial})
    for ms, serial in ((at("00:10"), "A-100"), (at("06:01"), "B-200"))
)


@pytest.mark.parametrize("every_ms", [5 * MINUTE_MS, 20 * MINUTE_MS])
@pytest.mark.parametrize("events", [pytest.param((), id="untold"), pytest.param(SWAPPED, id="another serial")])
def test_case_a3_variant_r_the_new_series_goes_on_from_the_old_total(every_ms: int, events: tuple[Event, ...]) -> None:
    counter = counter_of(restarted(every_ms), events)
    assert total_wh(counter) == 140.0
    restarts = [segment for segment in counter.segments if segment.flag is SegmentFlag.RESTARTED]
    assert [segment.start_ms for segment in restarts] == [at("06:02")]
    waited_ms = restarts[0].end_ms - restarts[0].start_ms
    assert waited_ms == (every_ms if events else HOUR_MS)


def test_case_a3_variant_r_both_values_are_there_to_be_noted() -> None:
    counter = counter_of(restarted(5 * MINUTE_MS))
    decided = next(segment for segment in counter.segments if segment.flag is SegmentFlag.RESTARTED)
    place = (decided.end_ms - START - 1) // GRID_MS
    assert (counter.index_wh[place - 1], counter.index_wh[place]) == (48_210_650.0, 140.0)


def test_case_a3_variant_r_books_nothing_before_the_hour_is_over() -> None:
    rows = [(ms, value) for ms, value in restarted(5 * MINUTE_MS) if ms < at("07:02")]
    assert list(counter_of(rows).segments) == []
