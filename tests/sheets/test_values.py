"""Cells as people write them: what is understood, and what is refused because it could mean two things."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, date, datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.sheets.days import DayColumn, ambiguous, clock_of
from watcher.sheets.sheet import Cell
from watcher.sheets.values import ANGLE, ENERGY, NO_UNIT, PENCE, POWER, direction, measured, slope, words


def bare(*parts: int) -> datetime:
    """A moment as a workbook has it, which knows no zones."""
    return datetime(*parts, tzinfo=UTC).replace(tzinfo=None)


@pytest.mark.parametrize(
    ("cell", "units", "number", "unit"),
    [
        pytest.param(3.92, POWER, 3.92, "", id="a number"),
        pytest.param("3.92", POWER, 3.92, "", id="a number as text"),
        pytest.param("3.92 kWp", POWER, 3.92, "kwp", id="with its unit"),
        pytest.param("3920W", POWER, 3920.0, "w", id="unit without a space"),
        pytest.param("12,345", ENERGY, 12345.0, "", id="thousands"),
        pytest.param("1,234,567.8 kWh", ENERGY, 1234567.8, "kwh", id="many thousands"),
        pytest.param("12 345", ENERGY, 12345.0, "", id="thousands with a space"),
        pytest.param("12\u00a0345", ENERGY, 12345.0, "", id="thousands with a space that does not break"),
        pytest.param("  35° ", ANGLE, 35.0, "°", id="degrees"),
        pytest.param("\u22121.52", ANGLE, -1.52, "", id="a typeset minus"),
        pytest.param(".5", NO_UNIT, 0.5, "", id="no zero before the point"),
        pytest.param("£0.21", PENCE, 0.21, "£", id="pounds before the number"),
        pytest.param("007", NO_UNIT, 7.0, "", id="zeros in front"),
    ],
)
def test_a_number_is_read_in_the_forms_people_use(
    cell: Cell, units: dict[str, float], number: float, unit: str
) -> None:
    assert measured(cell, units) == (pytest.approx(number), unit)


@pytest.mark.parametrize(
    "cell",
    [
        "3,68",
        "1,23,456",
        "12,34",
        "about 4",
        "",
        "-",
        "n/a",
        "#N/A",
        "1e3",
        "0x10",
        "٣",
        "½",
        "4 kW kW",
        "4 m2",
        "1.2.3",
        "--1",
        float("nan"),
        float("inf"),
        True,
        None,
        date(2024, 3, 1),
        "9" * 400,
    ],
)
def test_what_may_mean_something_else_is_no_number(cell: Cell) -> None:
    with pytest.raises(ValueError, match="must be"):
        measured(cell, POWER)


@pytest.mark.parametrize(
    ("cell", "degrees"),
    [
        (180, 180.0),
        ("180°", 180.0),
        ("202.5", 202.5),
        ("S", 180.0),
        ("south", 180.0),
        ("due south", 180.0),
        ("South-West", 225.0),
        ("south west", 225.0),
        ("southwest", 225.0),
        ("SW", 225.0),
        ("SSW", 202.5),
        ("south-south-west", 202.5),
        ("E facing", 90.0),
        ("n", 0.0),
        ("WNW", 292.5),
        (360, 360.0),
    ],
)
def test_a_direction_is_degrees_from_north_or_a_compass_word(cell: Cell, degrees: float) -> None:
    assert direction(cell) == degrees


@pytest.mark.parametrize(
    "cell", [-45, "-45", 361, "east/west", "E-W", "up", "south 20", "north-south", "", "180 W", "soouth"]
)
def test_a_direction_that_is_none_is_refused_with_the_convention(cell: Cell) -> None:
    with pytest.raises(ValueError, match="clockwise from north"):
        direction(cell)


@pytest.mark.parametrize(
    ("cell", "degrees"), [(35, 35.0), ("30°", 30.0), ("35 deg", 35.0), ("flat", 0.0), ("vertical", 90.0)]
)
def test_a_slope_is_degrees_or_a_word(cell: Cell, degrees: float) -> None:
    assert slope(cell) == degrees


def test_a_serial_that_the_sheet_took_for_a_number_keeps_no_decimal_point() -> None:
    assert [words(718223.0), words(718223), words(" 0718223\n")] == ["718223", "718223", "0718223"]


@pytest.mark.parametrize(
    ("cell", "day", "clock"),
    [
        pytest.param("2024-03-31", date(2024, 3, 31), None, id="ISO"),
        pytest.param("2024-3-1 14:30", date(2024, 3, 1), time(14, 30), id="ISO with a time"),
        pytest.param("2024-03-31T14:30:00", date(2024, 3, 31), time(14, 30), id="ISO with a T"),
        pytest.param("31/3/2024", date(2024, 3, 31), None, id="day first"),
        pytest.param("03/04/2024", date(2024, 4, 3), None, id="the third of April"),
        pytest.param("31.03.24", date(2024, 3, 31), None, id="points and two figures"),
        pytest.param("1-4-98", date(1998, 4, 1), None, id="the last century"),
        pytest.param("31 Mar 2024", date(2024, 3, 31), None, id="a month by name"),
        pytest.param("Sunday 31st March 2024", date(2024, 3, 31), None, id="in full"),
        pytest.param("4-Sept-2024", date(2024, 9, 4), None, id="four letters"),
        pytest.param("31/3/2024 2.30pm", date(2024, 3, 31), time(14, 30), id="an afternoon"),
        pytest.param(bare(2024, 3, 31, 9, 30), date(2024, 3, 31), time(9, 30), id="a workbook's moment"),
        pytest.param(bare(2024, 3, 31), date(2024, 3, 31), None, id="a workbook's date has no time"),
        pytest.param(date(2024, 3, 31), date(2024, 3, 31), None, id="a date"),
    ],
)
def test_a_date_is_read_day_first_or_as_iso(cell: Cell, day: date, clock: time | None) -> None:
    assert DayColumn().read(cell) == (day, clock)


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        ("3/31/2024", "31 is no month"),
        ("31/02/2024", "no such day"),
        (45382, "format of a date"),
        ("soon", "must be a date"),
        ("2024-13-01", "no such day"),
        ("31 Ma 2024", "must be a date"),
        ("12/2024", "must be a date"),
        (True, "format of a date"),
        ("1/1/1970", "the year must be"),
        ("31/3/2024 25:00", "time of day"),
        ("31/3/2024 next day", "time of day"),
    ],
)
def test_a_date_that_is_none_is_refused_with_the_reason(cell: Cell, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        DayColumn().read(cell)


def test_where_one_row_shows_that_months_come_first_the_doubtful_ones_are_refused_too() -> None:
    cells: list[tuple[int, Cell]] = [(2, "03/04/2024"), (3, "03/31/2024"), (4, "05/05/2024"), (5, "2024-06-01")]
    column = DayColumn.of(cells)
    with pytest.raises(ValueError, match="3 April or the 4 March: row 3 shows"):
        column.read("03/04/2024")
    assert column.read("05/05/2024").day == date(2024, 5, 5)
    assert column.read("2024-06-01").day == date(2024, 6, 1)


@given(st.dates(date(1980, 1, 1), date(2079, 12, 31)))
def test_every_day_written_day_first_is_that_day(day: date) -> None:
    column = DayColumn()
    for form in ("%d/%m/%Y", "%d.%m.%y", "%Y-%m-%d", "%d %B %Y", "%d-%b-%Y"):
        assert column.read(day.strftime(form)).day == day
    assert ambiguous(day.strftime("%d/%m/%Y")) == (day.day <= 12 and day.day != day.month)


@pytest.mark.parametrize(
    ("cell", "clock"),
    [
        ("14:30", time(14, 30)),
        ("2.30pm", time(14, 30)),
        ("12am", time(0)),
        ("12 pm", time(12)),
        (time(9, 5, 1, 7), time(9, 5, 1)),
        (bare(1899, 12, 30, 7), time(7)),
    ],
)
def test_a_time_of_day_is_read_in_both_halves(cell: Cell, clock: time) -> None:
    assert clock_of(cell) == clock


@given(
    st.one_of(st.text(), st.floats(), st.integers(), st.booleans(), st.none(), st.datetimes(), st.times(), st.dates())
)
def test_no_cell_is_anything_but_read_or_refused(cell: Cell) -> None:
    for read in (DayColumn().read, clock_of, direction, slope, lambda one: measured(one, ENERGY)):
        with suppress(ValueError):
            assert read(cell) is not None
