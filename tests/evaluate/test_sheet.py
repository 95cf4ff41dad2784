"""Day sheets: what is kept of a settled day adds up to it, comes back as it was, and is small."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detect.made_homes import EAST, WEST, Home, broken, home_site
from tests.detect.made_lines import judged
from watcher.domain.instant import GRID_MS, HOUR_MS, POINTS_A_DAY, local_day, local_day_of, parse_iso
from watcher.domain.sheet import MISSING, Sheet, pack, unpack
from watcher.store.ledger import Ledger

TENTHS = st.one_of(st.just(MISSING), st.integers(MISSING + 1, 2**31 - 1), st.integers(-300, 50_000))
NAMES = st.lists(st.text(min_size=1, max_size=20), unique=True, max_size=5)


@given(st.data(), st.integers(-(2**60), 2**60))
def test_a_sheet_comes_back_as_it_was(data: st.DataObject, start_ms: int) -> None:
    intervals = data.draw(st.integers(0, 12))
    row = st.lists(TENTHS, min_size=intervals, max_size=intervals)
    sheet = Sheet(start_ms, {name: array("i", data.draw(row)) for name in data.draw(NAMES)})
    assert unpack(pack(sheet)) == sheet


@given(st.binary(max_size=60), st.integers(0, 200), st.integers(0, 255))
def test_damaged_bytes_are_refused_or_read_never_worse(noise: bytes, at: int, byte: int) -> None:
    whole = bytearray(pack(Sheet(0, {"a": array("i", range(50)), "b": array("i", [MISSING] * 50)})))
    whole[at % len(whole)] = byte
    for bytes_ in (noise, bytes(whole), bytes(whole[: at % len(whole)])):
        try:
            sheet = unpack(bytes_)
        except ValueError:
            continue
        assert all(len(column) == len(next(iter(sheet.columns.values()))) for column in sheet.columns.values())


@pytest.fixture(scope="module", params=["2026-06-10", "2026-03-28", "2026-10-24"])
def three_days(request: pytest.FixtureRequest) -> Iterator[tuple[Home, Ledger]]:
    start_ms = parse_iso(f"{request.param}T00:00:00Z")
    home = Home(home_site(EAST, WEST), start_ms, 3, broken(3 * POINTS_A_DAY, 4))
    home.awake[100:140] = False
    with judged(home) as ledger:
        yield home, ledger


def test_its_columns_add_up_to_the_settled_day(three_days: tuple[Home, Ledger]) -> None:
    home, ledger = three_days
    days = {day.day: day for day in ledger.days("home-1") if day.expected_wh is not None}
    sheets = ledger.sheets("home-1", min(days), date.max)
    assert [sheet.day for sheet in sheets] == list(days)
    assert len(days) >= 2
    for kept in sheets:
        day, sheet = days[kept.day], unpack(kept.content)
        start_ms, end_ms = local_day(kept.day, home.site.zone)
        assert (kept.revision, kept.settled_ms, sheet.start_ms) == (day.revision, day.settled_ms, start_ms)
        assert {len(column) for column in sheet.columns.values()} == {(end_ms - start_ms) // GRID_MS}
        hours = GRID_MS / HOUR_MS
        expected = [w for w in sheet.values("site.expected") if w is not None]
        assert sum(expected) * hours == pytest.approx(day.expected_wh, abs=300 * 0.05 * hours)
        assert day.generated_wh is not None
        by_day = zip(sheet.values("inverter-1.ac_power"), sheet.values("sun_elevation"), strict=True)
        missing = sum(w is None and (elevation or 0.0) > 5.0 for w, elevation in by_day)
        made = sum(w for w in sheet.values("inverter-1.ac_power") if w is not None) * hours
        if missing > 30:  # what a counter counted over the hole is not on the grid
            assert made < 0.95 * day.generated_wh
        else:
            assert made == pytest.approx(day.generated_wh, rel=0.02, abs=5.0)


def test_it_is_a_few_kilobytes_and_says_nothing_where_nothing_was(three_days: tuple[Home, Ledger]) -> None:
    home, ledger = three_days
    first = ledger.sheets("home-1", local_day_of(home.start_ms, home.site.zone), date.max)[0]
    assert len(first.content) < 1.5 * sum(len(column) for column in unpack(first.content).columns.values())
    sheet = unpack(first.content)
    offset = (home.start_ms - sheet.start_ms) // GRID_MS
    silent = sheet.values("inverter-1.ac_power")[100 + offset : 140 + offset]
    assert silent.count(None) >= 38
    assert None not in sheet.values("sun_elevation")
    assert set(sheet.values("basis")) <= {0.0, 1.0}
