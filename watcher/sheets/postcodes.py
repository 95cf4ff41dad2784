"""UK postcodes to places, by an open table that the user supplies. Pure: lines in, places out.

Rule: capitals and spaces do not count. A postcode that is not in the table has no place; its outward half alone has the
middle of all postcodes in it, and that it is coarse is said.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Collection, Iterable, Mapping
from typing import NamedTuple

from watcher.domain.errors import Problem, SetupError

_POSTCODE = re.compile(r"([A-Z]{1,2}[0-9][A-Z0-9]?)([0-9][A-Z]{2})")
_OUTWARD = re.compile(r"[A-Z]{1,2}[0-9][A-Z0-9]?")
_NAMES: Mapping[str, tuple[str, ...]] = {
    "postcode": ("pcds", "pcd8", "pcd7", "pcd2", "pcd", "postcode", "post code"),
    "latitude": ("lat", "latitude"),
    "longitude": ("long", "longitude", "lng", "lon"),
}
"""What the columns of open tables are called, in lower case."""
_MOST_NORTH = 61.5  # what has no place on the map stands at 99.999999 in the national table
_MOST_SOUTH = 49.0


class Place(NamedTuple):
    """coarse: the middle of an outward code, some kilometres off"""

    latitude_deg: float
    longitude_deg: float
    coarse: bool


def postcode(text: str) -> str:
    """A postcode or outward code in capitals without a space. ValueError for anything else."""
    bare = "".join(text.split()).upper()
    if _POSTCODE.fullmatch(bare) is None and _OUTWARD.fullmatch(bare) is None:
        raise ValueError("must be a UK postcode, such as SW1A 1AA, or its first half")
    return bare


def find_places(lines: Iterable[str], wanted: Collection[str], place: str) -> dict[str, Place]:
    """The places of the postcodes wanted, as far as the table has them.

    lines: of the table, heading first. wanted: as postcode() gives them. place: the table's file, for messages
    SetupError where it is no such table.
    """
    reader = csv.reader(lines)
    try:
        heading = [cell.strip().lower().removeprefix("\ufeff") for cell in next(reader, [])]
        columns = [_column(heading, name, place) for name in _NAMES]
        whole = {one for one in wanted if _POSTCODE.fullmatch(one)}
        sums = {one: (0.0, 0.0, 0) for one in wanted if one not in whole}
        found: dict[str, Place] = {}
        code_at, latitude_at, longitude_at = columns
        for cells in reader:
            if len(cells) <= max(columns):
                continue
            bare = cells[code_at].replace(" ", "").upper()
            outward = bare[:-3]
            if bare not in whole and outward not in sums:
                continue
            try:
                latitude, longitude = float(cells[latitude_at]), float(cells[longitude_at])
            except ValueError:
                continue
            if not (_MOST_SOUTH <= latitude <= _MOST_NORTH and -9 <= longitude <= 2.5):
                continue
            if bare in whole:
                found[bare] = Place(latitude, longitude, False)
            if outward in sums:
                north, east, count = sums[outward]
                sums[outward] = (north + latitude, east + longitude, count + 1)
    except csv.Error as error:
        problem = Problem(f"{place}:{reader.line_num}", "", "", f"cannot be taken apart: {error}")
        raise SetupError((problem,)) from None
    middles = {one: Place(north / count, east / count, True) for one, (north, east, count) in sums.items() if count}
    return {**found, **middles}


def _column(heading: list[str], name: str, place: str) -> int:
    for known in _NAMES[name]:
        if known in heading:
            return heading.index(known)
    allowed = f"no such column in the table of postcodes; it may be called {', '.join(_NAMES[name])}"
    raise SetupError((Problem(f"{place}:1", name, "", allowed),))
