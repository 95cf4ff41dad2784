"""Where a site of a sheet stands: by its coordinates, or else by its postcode. Pure.

Rule: coordinates win. A place that was only guessed at, or that the row itself contradicts, is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from watcher.config.site_words import SITE
from watcher.sheets.heading import Heading
from watcher.sheets.postcodes import Place, postcode
from watcher.sheets.row_cells import RowCells
from watcher.sheets.sheet import Row
from watcher.sheets.values import ANGLE, words

_NEAR_DEG, _NEAR_COARSE_DEG = 0.05, 0.3
"""How far coordinates may lie from the postcode beside them, and from the middle of an outward code [of latitude]"""
_EAST = 0.6  # a degree of longitude in one of latitude, over Britain


def postcodes_of(heading: Heading) -> set[str]:
    """Every postcode of a sheet that can be one."""
    found = set()
    for row in heading.rows if "postcode" in heading.columns else ():
        cell = row.cell(heading.columns["postcode"].at)
        try:
            if cell is not None:
                found.add(postcode(words(cell)))
        except ValueError:
            continue  # said when the row is read
    return found


def put_place(cells: RowCells, row: Row, site: dict[str, Any], places: Mapping[str, Place] | None) -> None:
    """The row's place into the site's keys. places: of postcodes, None where no table was given"""
    told: dict[str, Any] = {}
    cells.number(row, "latitude", told, "latitude_deg", SITE["latitude_deg"], ANGLE)
    cells.number(row, "longitude", told, "longitude_deg", SITE["longitude_deg"], ANGLE)
    if len(told) == 2:
        for key, value in told.items():
            cells.put(row, key.removesuffix("_deg"), site, key, value)
        _contradicted(cells, row, told, places)
    elif told:
        missing = "longitude" if "latitude_deg" in told else "latitude"
        cells.wrong(row, missing, "missing; a place has both coordinates")
    elif (place := _by_postcode(cells, row, places)) is not None:
        cells.put(row, "postcode", site, "latitude_deg", round(place.latitude_deg, 5))
        cells.put(row, "postcode", site, "longitude_deg", round(place.longitude_deg, 5))


def _by_postcode(cells: RowCells, row: Row, places: Mapping[str, Place] | None) -> Place | None:
    cell = cells.cell(row, "postcode")
    if cell is None:
        return None
    try:
        bare = postcode(words(cell))
    except ValueError as error:
        cells.wrong(row, "postcode", str(error))
        return None
    if places is None:
        table = "needs a table of places: give --postcodes FILE, or the coordinates of the site"
        cells.wrong(row, "postcode", table)
        return None
    place = places.get(bare)
    if place is None:
        cells.wrong(row, "postcode", "is not in the table of postcodes; give the coordinates of the site")
    elif place.coarse:
        cells.remarks.caution("half a postcode gives the middle of an area, kilometres off", row.number)
    return place


def _contradicted(
    cells: RowCells, row: Row, told: Mapping[str, float], places: Mapping[str, Place] | None
) -> None:  # fmt: skip
    cell = cells.cell(row, "postcode")
    try:
        place = (places or {}).get(postcode(words(cell))) if cell is not None else None
    except ValueError:
        return
    if place is not None:
        north, east = told["latitude_deg"] - place.latitude_deg, told["longitude_deg"] - place.longitude_deg
        if max(abs(north), abs(east) * _EAST) > (_NEAR_COARSE_DEG if place.coarse else _NEAR_DEG):
            cells.remarks.caution("the coordinates lie far from the postcode; the coordinates are taken", row.number)
