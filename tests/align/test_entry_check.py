"""What is asked about as a reading is typed, by whoever knows what was made: the inverter, the sunshine, or nobody."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detect.made_homes import home_site, record_of
from watcher.align.entry_check import Elsewhere, Known, Odd, Slip, check_entry, index_of
from watcher.align.typed import Change, MeterLife, Standing, TypedReading
from watcher.domain.instant import DAY_MS, parse_iso

START = parse_iso("2026-03-01T12:00Z")
LIFE = MeterLife(record_of(home_site()), "meter-1")


def good(day: int, kwh: float) -> TypedReading:
    return TypedReading("meter-1", START + day * DAY_MS, kwh * 1000.0)


def by_sun(kwh: float) -> Known:
    return Known(expected_wh=lambda _start_ms, _end_ms: kwh * 1000.0)


def by_inverter(kwh: float) -> Known:
    return Known(inverter_wh=lambda _start_ms, _end_ms: kwh * 1000.0)


@pytest.mark.parametrize(
    ("text", "odd", "slip", "offered_kwh"),
    [
        pytest.param("20900", None, None, None, id="as promised"),
        pytest.param("20450", None, None, None, id="half of it: what readings are there to tell"),
        pytest.param("20000", None, None, None, id="nothing: a meter that stands still"),
        pytest.param("21555", Odd.TOO_MUCH, Slip.DIGIT_MISREAD, None, id="too much, and either digit may be wrong"),
        pytest.param("29000", Odd.TOO_MUCH, Slip.DIGITS_EXCHANGED, 20_900.0, id="digits exchanged"),
        pytest.param("80900", Odd.TOO_MUCH, Slip.DIGIT_MISREAD, 20_900.0, id="first digit misread"),
        pytest.param("20090", Odd.TOO_LITTLE, Slip.DIGITS_EXCHANGED, 20_900.0, id="too little, explained by a slip"),
        pytest.param("20.9", Odd.STARTED_ANEW, Slip.MEGAWATT_HOURS, 20_900.0, id="in MWh"),
    ],
)
def test_against_the_sunshine(text: str, odd: Odd | None, slip: Slip | None, offered_kwh: float | None) -> None:
    check = check_entry(text, START + 91 * DAY_MS, LIFE, [good(0, 20_000)], by_sun(900.0))
    assert (check.odd, check.slip) == (odd, slip)
    assert check.offered_wh == (None if offered_kwh is None else offered_kwh * 1000)


def test_where_nobody_knows_what_was_made_only_the_impossible_is_odd_and_nothing_is_offered() -> None:
    for text, odd in (("20900", None), ("23000", None), ("29000", Odd.TOO_MUCH), ("19900", Odd.BACKWARDS)):
        check = check_entry(text, START + 91 * DAY_MS, LIFE, [good(0, 20_000)])
        assert (check.odd, check.offered_wh, check.low_wh) == (odd, None, None)


def test_the_first_reading_of_a_meter_is_only_counted_in_digits() -> None:
    assert check_entry("20900", START, LIFE, []).fits
    assert check_entry("209000", START, LIFE, []).odd is Odd.TOO_MANY_DIGITS


def test_a_reading_between_two_others_goes_with_both() -> None:
    around = [good(0, 20_000), good(20, 20_200)]
    assert check_entry("20100", START + 10 * DAY_MS, LIFE, around).fits
    assert check_entry("20300", START + 10 * DAY_MS, LIFE, around).odd is Odd.ABOVE_A_LATER_ONE


def test_a_reading_that_is_only_asked_about_is_no_neighbour() -> None:
    asked = replace(good(10, 29_000), standing=Standing.ASKED)
    assert check_entry("20200", START + 20 * DAY_MS, LIFE, [good(0, 20_000), asked]).fits


def test_after_an_exchange_it_is_held_against_the_new_meter() -> None:
    at_ms = START + 10 * DAY_MS
    life = replace(LIFE, changes=(Change(at_ms, at_ms, 20_100e3, 200.0, "M-001", "M-002"),))
    readings = [good(0, 20_000)]
    assert check_entry("80", START + 20 * DAY_MS, life, readings, by_inverter(80.0), "M-002").fits
    wrong = check_entry("80", START + 20 * DAY_MS, life, readings, by_inverter(80.0), "M-001")
    assert (wrong.odd, wrong.serial) == (Odd.OTHER_SERIAL, "M-002")
    assert check_entry("20105", START + 20 * DAY_MS, life, readings, by_inverter(80.0)).odd is Odd.TOO_MUCH


def test_where_the_new_meter_began_is_not_known_nothing_is_held_against_it() -> None:
    at_ms = START + 10 * DAY_MS
    life = replace(LIFE, changes=(Change(at_ms, at_ms, 20_100e3),))
    assert check_entry("80", START + 20 * DAY_MS, life, [good(0, 20_000)], by_inverter(80.0)).fits


def test_the_figure_of_another_register_is_known_again() -> None:
    known = replace(by_inverter(80.0), elsewhere=(Elsewhere("meter-2", 5_000e3, 5_300e3),))
    check = check_entry("5120", START + 20 * DAY_MS, LIFE, [good(0, 20_000)], known)
    assert (check.slip, check.register, check.offered_wh) == (Slip.WRONG_REGISTER, "meter-2", None)


@given(
    before=st.integers(0, 99_999),
    made=st.floats(1.0, 300.0),
    share=st.floats(0.87, 1.13),
)
def test_a_right_reading_is_never_asked_about(before: int, made: float, share: float) -> None:
    shown = (before + made * share) % 100_000
    text = f"{int(shown * 10) / 10:.1f}"
    check = check_entry(text, START + 30 * DAY_MS, LIFE, [good(0, before)], by_inverter(made))
    assert check.fits, check


@given(
    before=st.integers(1_000, 95_000),
    made=st.floats(20.0, 300.0),
    slipped=st.text("0123456789", min_size=1, max_size=7),
)
def test_what_is_offered_would_have_been_right(before: int, made: float, slipped: str) -> None:
    at_ms = START + 30 * DAY_MS
    check = check_entry(slipped, at_ms, LIFE, [good(0, before)], by_inverter(made))
    if check.offered_wh is not None:
        assert check.odd is not None
        offered = f"{check.offered_wh / 1000:.3f}"
        assert check_entry(offered, at_ms, LIFE, [good(0, before)], by_inverter(made)).fits


@given(before=st.integers(10_000, 95_000), made=st.floats(30.0, 300.0), place=st.integers(0, 3))
def test_two_digits_exchanged_are_asked_about_or_make_next_to_no_difference(
    before: int, made: float, place: int
) -> None:
    right = f"{int(before + made):05d}"
    wrong = right[:place] + right[place + 1] + right[place] + right[place + 2 :]
    check = check_entry(wrong, START + 30 * DAY_MS, LIFE, [good(0, before)], by_inverter(made))
    off_kwh = abs(int(wrong) - before - made)
    assert check.fits if off_kwh <= 0.15 * made else not check.fits or off_kwh <= 0.15 * made + 1.0
    if check.slip is Slip.DIGITS_EXCHANGED and check.offered_wh is not None:
        assert check.offered_wh == 1000.0 * int(right) or abs(check.offered_wh / 1000 - before - made) <= 0.15 * made


@pytest.mark.parametrize("text", ["", "kWh", "41-371", "4 1 3 x", "-5", "1.2.3", "1e5", "9" * 20, "٤١٣٧١", "NaN"])
def test_what_is_no_index_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no meter reading"):
        index_of(text)


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        index_kwh = index_of(text)
    except ValueError:
        return
    assert 0.0 <= index_kwh < 1e12
    assert any(letter in "0123456789" for letter in text)
