"""Past sunshine on disk: one small file for each node of a grid, year, and kind of source.

Rule: a file is whole or not there, and what cannot be read is as if it were not there: it can be had again. Hours that
were known are not forgotten because a later answer lacks them.

A file is a line of JSON that says what it is, then the columns as 16-bit whole numbers, low bytes first, compressed.
"""

from __future__ import annotations

import json
import os
import sys
import zlib
from array import array
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from watcher.domain.errors import StoreError
from watcher.domain.instant import HOUR_MS, to_ms

FOLDER = "sunshine"
"""Of a data folder, where past sunshine is kept."""
SCALES: Mapping[str, int] = {"ghi": 10, "temp_air": 100, "wind_speed": 100}
"""What is kept of an hour, and the parts of a W/m2, degC or m/s in which it is."""
MISSING = -32768
_TOP = 32767
_FORMAT = 1
_SLACK_DEG = 1e-6


class Node(NamedTuple):
    """A node of a grid of sunshine. It serves the places nearest to it. [degrees, north and east positive]"""

    latitude_deg: float
    longitude_deg: float
    grid_deg: float

    def serves(self, latitude_deg: float, longitude_deg: float) -> bool:
        reach = self.grid_deg / 2 + _SLACK_DEG
        return abs(self.latitude_deg - latitude_deg) <= reach and abs(self.longitude_deg - longitude_deg) <= reach

    def __str__(self) -> str:
        return f"{self.latitude_deg:.4f}_{self.longitude_deg:.4f}_{self.grid_deg:g}"


class Kind(NamedTuple):
    """A year of one kind of source. basis: "measured", "satellite" or "weather" """

    year: int
    basis: str


@dataclass(frozen=True, slots=True)
class KeptYear:
    """The hours that end in a calendar year UTC, without the first instant and with the last.

    told_ms: when it was last asked for or read from a file. source: the service or file, for people
    columns: by name of SCALES, a whole number an hour; MISSING where not known
    """

    kind: Kind
    told_ms: int
    source: str
    columns: Mapping[str, array[int]] = field(default_factory=dict)

    def known(self) -> int:
        """Hours with an irradiance."""
        return sum(value != MISSING for value in self.columns.get("ghi", ()))

    def over(self, older: KeptYear) -> KeptYear:
        """This year, with the hours it does not know from an older word on it."""
        columns = {
            name: array("h", [was if new == MISSING else new for new, was in zip(column, before, strict=True)])
            for (name, column), before in zip(self.columns.items(), older.columns.values(), strict=True)
        }
        return replace(self, columns=columns)


def year_bounds(year: int) -> tuple[int, int]:
    """The first instant of a year UTC and of the next. [ms]"""
    return to_ms(datetime(year, 1, 1, tzinfo=UTC)), to_ms(datetime(year + 1, 1, 1, tzinfo=UTC))


def years_of(values: Iterable[tuple[str, int, float]], basis: str, told_ms: int, source: str) -> list[KeptYear]:
    """Scattered hours as years: (name, the hour's end [ms], value). Names and ends that are not kept are left out."""
    years: dict[int, dict[str, array[int]]] = {}
    for name, end_ms, value in values:
        if name not in SCALES or end_ms % HOUR_MS:
            continue
        year = datetime.fromtimestamp((end_ms - HOUR_MS) / 1000, UTC).year
        first_ms, next_ms = year_bounds(year)
        if year not in years:
            empty = array("h", [MISSING]) * ((next_ms - first_ms) // HOUR_MS)
            years[year] = {name: array("h", empty) for name in SCALES}
        number = round(value * SCALES[name])
        years[year][name][(end_ms - first_ms) // HOUR_MS - 1] = max(-_TOP, min(number, _TOP))
    return [KeptYear(Kind(year, basis), told_ms, source, columns) for year, columns in sorted(years.items())]


class SunshineStore:
    """folder: made when it is first needed"""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def nodes(self) -> list[Node]:
        """Every node anything is kept of."""
        found = []
        with suppress(OSError):
            for one in sorted(self.folder.iterdir()):
                with suppress(ValueError):
                    latitude, longitude, grid = map(float, one.name.split("_"))
                    found.append(Node(latitude, longitude, grid))
        return found

    def kinds(self, node: Node) -> list[Kind]:
        """What is kept of a node, oldest first."""
        found = []
        with suppress(OSError):
            for one in (self.folder / str(node)).glob("*.hours"):
                year, _, basis = one.stem.partition("-")
                if year.isdecimal() and basis:
                    found.append(Kind(int(year), basis))
        return sorted(found)

    def year(self, node: Node, kind: Kind) -> KeptYear | None:
        """A year as kept; None where there is none that can be read."""
        try:
            head, _, packed = self._place(node, kind).read_bytes().partition(b"\n")
            told = json.loads(head)
            first_ms, next_ms = year_bounds(kind.year)
            hours = (next_ms - first_ms) // HOUR_MS
            content = zlib.decompress(packed)
            if told["format"] != _FORMAT or len(content) != 2 * hours * len(SCALES):
                return None
            columns = {}
            for at, name in enumerate(SCALES):
                columns[name] = array("h", content[2 * hours * at : 2 * hours * (at + 1)])
                if sys.byteorder == "big":
                    columns[name].byteswap()
            return KeptYear(kind, int(told["told_ms"]), str(told["source"]), columns)
        except (OSError, ValueError, TypeError, KeyError, zlib.error):
            return None

    def keep(self, node: Node, year: KeptYear) -> KeptYear:
        """Put a year down, over what was kept of it before; what is kept now. StoreError where it cannot be written."""
        before = self.year(node, year.kind)
        whole = year if before is None else year.over(before)
        content = b"".join(_low_bytes_first(whole.columns[name]) for name in SCALES)
        head = {"format": _FORMAT, "told_ms": whole.told_ms, "source": whole.source}
        self._write(self._place(node, year.kind), json.dumps(head).encode() + b"\n" + zlib.compress(content, 9))
        return whole

    def _place(self, node: Node, kind: Kind) -> Path:
        return self.folder / str(node) / f"{kind.year}-{kind.basis}.hours"

    def _write(self, place: Path, content: bytes) -> None:
        beside = place.with_name(place.name + ".new")
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            with beside.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.replace(beside, place)
        except OSError as error:
            with suppress(OSError):
                beside.unlink(missing_ok=True)
            raise StoreError(f"{place}: past sunshine cannot be kept: {error}") from None


def _low_bytes_first(column: array[int]) -> bytes:
    if sys.byteorder == "big":
        column = column[:]
        column.byteswap()
    return column.tobytes()
