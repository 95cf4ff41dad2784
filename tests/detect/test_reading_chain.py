"""Which readings hang together: slips are left out and named, an exchange is no slip, and nothing good is lost."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.detect.made_readings import at, energy, life, read, shares, typed
from watcher.align.typed import Change, Standing, TypedReading
from watcher.detect.reading_chain import chain

SUN = energy()
WELL = read(shares(), SUN)


def with_slip(place: int, kwh: float) -> list[TypedReading]:
    found = list(WELL)
    found[place] = typed(found[place].at_ms, kwh)
    return found


def test_a_healthy_book_is_believed_whole() -> None:
    found = chain(WELL, life(), SUN)
    assert list(found.kept) == WELL
    assert found.left_out == ()
    assert sum(wh or 0.0 for wh in found.wh) == pytest.approx(WELL[-1].index_wh - WELL[0].index_wh)


@pytest.mark.parametrize("place", [0, 1, 12, 38, 39])
@pytest.mark.parametrize("far_kwh", [-5000.0, 9000.0, 60_000.0], ids=["too low", "too high", "a digit too much"])
def test_a_gross_slip_is_left_out_wherever_it_stands(place: int, far_kwh: float) -> None:
    wrong = abs(WELL[place].index_wh / 1000.0 + far_kwh)
    found = chain(with_slip(place, wrong), life(), SUN)
    assert [one.at_ms for one in found.left_out] == [WELL[place].at_ms]


def test_two_slips_running_are_both_left_out() -> None:
    twice = with_slip(10, 90_000.0)
    twice[11] = typed(twice[11].at_ms, 90_001.0)
    assert [one.at_ms for one in chain(twice, life(), SUN).left_out] == [WELL[10].at_ms, WELL[11].at_ms]


def test_a_register_that_begins_anew_is_no_slip() -> None:
    """Nobody told of an exchange: the energy across it is unknown, and every reading is believed."""
    fell = WELL[20].index_wh - 500_000.0
    book = WELL[:20] + [typed(one.at_ms, (one.index_wh - fell) / 1000.0) for one in WELL[20:]]
    found = chain(book, life(), SUN)
    assert found.left_out == ()
    assert [n for n, wh in enumerate(found.wh) if wh is None] == [19]


def test_an_exchange_that_was_told_of_counts_through() -> None:
    change = Change(at(20.5), at(20.5), final_wh=WELL[20].index_wh + 200_000.0, opening_wh=0.0)
    gone = change.final_wh or 0.0
    book = WELL[:21] + [typed(one.at_ms, (one.index_wh - gone) / 1000.0) for one in WELL[21:]]
    found = chain(book, life(change), SUN)
    assert found.left_out == ()
    assert found.wh[20] == pytest.approx(WELL[21].index_wh - WELL[20].index_wh, abs=1.0)


def test_a_stopped_meter_is_believed() -> None:
    stopped = [*WELL[:15], *(typed(one.at_ms, WELL[15].index_wh / 1000.0) for one in WELL[15:])]
    assert chain(stopped, life(), SUN).left_out == ()


def test_what_was_withdrawn_is_not_even_named() -> None:
    book = list(WELL)
    book[5] = replace(book[5], standing=Standing.WITHDRAWN)
    found = chain(book, life(), SUN)
    assert book[5] not in (*found.kept, *found.left_out)


def test_what_was_asked_about_is_believed_once_the_next_bears_it_out() -> None:
    book = list(WELL)
    book[5] = replace(book[5], standing=Standing.ASKED)
    assert [one.at_ms for one in chain(book, life(), SUN).kept] == [one.at_ms for one in WELL]


def test_the_newest_takes_part_in_nothing_while_it_is_asked_about() -> None:
    book = [*WELL[:-1], replace(WELL[-1], standing=Standing.ASKED)]
    found = chain(book, life(), SUN)
    assert found.kept[-1] == WELL[-2]
    assert found.left_out == (book[-1],)


@settings(max_examples=60, deadline=None)
@given(kwh=st.lists(st.floats(0.0, 99_999.0), max_size=12))
def test_any_book_gives_a_chain_in_order_and_loses_nothing(kwh: list[float]) -> None:
    book = [typed(at(n), round(value)) for n, value in enumerate(kwh)]
    found = chain(book, life(), SUN)
    assert sorted([*found.kept, *found.left_out], key=lambda one: one.at_ms) == book
    assert len(found.wh) == max(len(found.kept) - 1, 0)
    assert all(wh is None or wh >= 0.0 for wh in found.wh)
