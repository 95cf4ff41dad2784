"""Finding the heading: titles above it, names in every form, and what cannot be told apart."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.domain.errors import SetupError
from watcher.sheets.heading import find_heading
from watcher.sheets.sheet import Cell, Row, Sheet
from watcher.sheets.words import READINGS, SITES, listed

REPO = Path(__file__).resolve().parents[2]


def sheet(*rows: tuple[Cell, ...]) -> Sheet:
    return Sheet("sites.csv", tuple(Row(number, cells) for number, cells in enumerate(rows, 1)))


def test_rows_of_titles_and_blank_rows_above_and_below_are_passed_over() -> None:
    found = find_heading(
        sheet(("Our customers", None), (None, ""), ("", "Name", "Slope", "Direction"), ("", " "), ("", "A", 30, "S")),
        SITES,
        "sites",
    )
    assert found.row == 3
    assert [row.number for row in found.rows] == [5]
    assert {name: column.at for name, column in found.columns.items()} == {"name": 1, "tilt": 2, "azimuth": 3}


@pytest.mark.parametrize(
    ("title", "field", "unit"),
    [
        ("System size (kWp)", "peak_power", "kwp"),
        ("SYSTEM SIZE KWP", "peak_power", "kwp"),
        ("kWp", "peak_power", "kwp"),
        ("Peak power [W]", "peak_power", "w"),
        ("Array size in kW", "peak_power", "kw"),
        ("Inverter kW", "ac_limit", "kw"),
        ("Inverter rating (kW)", "ac_limit", "kw"),
        ("Roof pitch (°)", "tilt", "°"),
        ("Tilt deg", "tilt", "deg"),
        ("Aspect", "azimuth", ""),
        ("Orientation (from north)", "azimuth", ""),
        ("Post code:", "postcode", ""),
        ("Meter serial no.", "meter_serial", ""),
        ("LAT", "latitude", ""),
        ("Feed-in rate (p/kWh)", "rate", "p/kwh"),
        ("E-mail", "owner_email", ""),
        ("Panel watts", "panel_power", "watts"),
        ("No. of panels", "panels", ""),
        ("Latitide", "latitude", ""),
        ("Azimuht", "azimuth", ""),
    ],
)
def test_a_column_is_found_by_its_names_with_its_unit(title: str, field: str, unit: str) -> None:
    others = [one for one in ("Name", "Slope", "Direction") if one.lower() not in ("tilt", "azimuth")]
    if field in ("tilt", "azimuth"):
        others.remove("Slope" if field == "tilt" else "Direction")
    found = find_heading(sheet((title, *others)), SITES, "sites")
    assert found.columns[field].title == title
    assert found.columns[field].unit == unit


@pytest.mark.parametrize("title", ["System size (m2)", "Peak power (kWh)", "Colour", "Phone", "Notes", "Make", "2019"])
def test_other_columns_are_left_alone_and_named(title: str) -> None:
    found = find_heading(sheet(("Name", "Slope", "Direction", title)), SITES, "sites")
    assert found.ignored == (title,)


def test_the_name_that_stands_first_in_the_list_is_taken_of_two() -> None:
    found = find_heading(sheet(("Customer", "Address", "Slope", "Direction")), SITES, "sites")
    assert found.columns["name"].title == "Address"
    assert found.ignored == ("Customer",)


def test_two_columns_of_the_same_name_are_a_problem() -> None:
    with pytest.raises(SetupError, match="stands twice, as 'Slope' and 'slope'"):
        find_heading(sheet(("Name", "Slope", "slope", "Direction")), SITES, "sites")


def test_a_needed_column_that_is_missing_is_named_with_what_it_may_be_called() -> None:
    with pytest.raises(SetupError, match="reading: no such column; it may be called reading, meter reading"):
        find_heading(sheet(("Site", "Date")), READINGS, "readings")


def test_an_empty_sheet_is_said_to_be_empty() -> None:
    with pytest.raises(SetupError, match="empty"):
        find_heading(sheet((None,)), SITES, "sites")


@pytest.mark.parametrize("fields", [SITES, READINGS])
def test_no_name_means_two_things_and_every_name_is_found_by_itself(fields: tuple) -> None:
    names = [name for one in fields for name in one.names]
    assert len(names) == len(set(names))
    for one in fields:
        for name in one.names:
            found = find_heading(sheet((name, *_others(one.name, fields))), fields, _kind(fields))
            assert found.columns[one.name].title == name


def _kind(fields: tuple) -> str:
    return "sites" if fields is SITES else "readings"


def _others(but: str, fields: tuple) -> list[str]:
    wanted = {"sites": ("tilt", "azimuth"), "readings": ("day", "index")}[_kind(fields)]
    return [one.names[0] for one in fields if one.name in wanted and one.name != but]


def test_the_published_list_is_what_is_matched() -> None:
    assert (REPO / "config" / "sheets" / "columns.md").read_text(encoding="utf-8") == listed()
