"""UK postcodes by a table that the user has."""

from __future__ import annotations

import pytest

from watcher.domain.errors import SetupError
from watcher.sheets.postcodes import find_places, postcode

NATIONAL = """\
pcd,pcd2,pcds,lat,long
AB1 0AA,AB1  0AA,AB1 0AA,57.10,-2.20
AB1 0AB,AB1  0AB,AB1 0AB,57.14,-2.24
AB101AA,AB10 1AA,AB10 1AA,57.15,-2.10
IM1 1AA,IM1  1AA,IM1 1AA,99.999999,0.000000
cut short""".splitlines()


@pytest.mark.parametrize(
    ("text", "bare"),
    [("SW1A 1AA", "SW1A1AA"), ("sw1a1aa", "SW1A1AA"), (" m1  1ae ", "M11AE"), ("B33 8TH", "B338TH"), ("CR2", "CR2")],
)
def test_capitals_and_spaces_do_not_count(text: str, bare: str) -> None:
    assert postcode(text) == bare


@pytest.mark.parametrize("text", ["", "12345", "SW1A 1A", "SW1A-1AA", "S", "SW1AA 1AA", "75001"])
def test_what_is_no_postcode_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="UK postcode"):
        postcode(text)


def test_a_whole_postcode_has_its_place_and_half_of_one_the_middle_of_its_own_area_alone() -> None:
    places = find_places(NATIONAL, {"AB10AA", "AB1", "ZZ99ZZ"}, "table.csv")
    assert places["AB10AA"] == (57.10, -2.20, False)
    assert places["AB1"] == (pytest.approx(57.12), pytest.approx(-2.22), True), "AB10 is another area"
    assert "ZZ99ZZ" not in places


def test_a_postcode_without_a_place_on_the_map_has_none() -> None:
    assert find_places(NATIONAL, {"IM11AA", "IM1"}, "table.csv") == {}


@pytest.mark.parametrize("heading", ["postcode,latitude,longitude", "\ufeffPostcode, Lat ,LNG", "pcd7,lat,long"])
def test_open_tables_of_several_makes_are_read(heading: str) -> None:
    assert find_places([heading, "AB10AA,57.1,-2.2"], {"AB10AA"}, "t.csv")["AB10AA"].latitude_deg == 57.1


def test_a_table_of_something_else_is_refused_with_the_names_it_may_have() -> None:
    with pytest.raises(SetupError, match="latitude: no such column"):
        find_places(["postcode,easting,northing"], {"AB10AA"}, "t.csv")
