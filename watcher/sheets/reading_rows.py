"""Rows of a sheet of readings to what somebody read, on which meter, when. Pure.

Rule: a reading goes on as it was written, so that its check sees every digit; only its unit is put right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time
from enum import StrEnum
from zoneinfo import ZoneInfo

from watcher.align.entry_check import index_of
from watcher.config.checked_toml import nearest
from watcher.domain.instant import to_ms
from watcher.domain.site import Meter, MeterRole, SiteRecord
from watcher.sheets.days import ambiguous, clock_of
from watcher.sheets.heading import Heading
from watcher.sheets.row_cells import RowCells
from watcher.sheets.sheet import Cell, Remarks, Row
from watcher.sheets.site_draft import slug
from watcher.sheets.values import ENERGY, cleaned, measured, words

NOON = time(12)
"""When a reading without a time of day was taken: half a day off at most."""


class What(StrEnum):
    """What a row is."""

    READING = "reading"
    FINAL = "final"  # the last of a meter that was taken out
    OPENING = "opening"  # the first of the meter that came in


@dataclass(frozen=True, slots=True)
class ReadRow:
    """text: the index in kWh, as it was written as far as its unit allows. timed: whether a time of day was given"""

    row: int
    site: str
    meter: str
    at_ms: int
    text: str
    what: What = What.READING
    timed: bool = False
    serial: str = ""
    who: str = ""

    @property
    def index_wh(self) -> float:
        return round(index_of(self.text) * 1000.0, 3)


def read_rows(heading: Heading, sites: Mapping[str, SiteRecord], now_ms: int, remarks: Remarks) -> list[ReadRow]:
    """Readings in the order of sites and time. What cannot be taken goes to `remarks`."""
    reading = _Reading(heading, sites, now_ms, remarks)
    found: dict[tuple[str, str, int, What], ReadRow] = {}
    for row in heading.rows:
        one = reading.read(row)
        if one is None:
            continue
        key = (one.site, one.meter, one.at_ms, one.what)
        before = found.setdefault(key, one)
        if before.index_wh != one.index_wh:
            reading.wrong(row, "index", f"row {before.row} says {before.text} for the same meter and time")
    return sorted(found.values(), key=lambda one: (one.site, one.meter, one.at_ms, one.what is What.OPENING))


class _Reading:
    def __init__(
        self, heading: Heading, sites: Mapping[str, SiteRecord], now_ms: int, remarks: Remarks
    ) -> None:  # fmt: skip
        self.cells = RowCells(heading, remarks)
        self.sites, self.now_ms, self.remarks, self.heading = sites, now_ms, remarks, heading
        self.by_name: dict[str, set[str]] = {}
        self.by_serial: dict[str, set[tuple[str, str]]] = {}
        for id, record in sites.items():
            self.by_name.setdefault(cleaned(record.base.name).casefold(), set()).add(id)
            for meter in record.meters:
                if meter.serial:
                    self.by_serial.setdefault(meter.serial, set()).add((id, meter.id))

    def read(self, row: Row) -> ReadRow | None:
        before = len(self.remarks.problems)
        text, serial, who = self._index(row), self._words(row, "serial"), self._words(row, "reader")
        meter = self._meter(row, serial)
        what = self._what(row)
        moment = self._moment(row, self.sites[meter[0]].base.zone) if meter is not None else None
        if meter is None or moment is None or text is None or len(self.remarks.problems) > before:
            return None
        at_ms, timed = moment
        return ReadRow(row.number, *meter, at_ms, text, what, timed, serial, who)

    def wrong(self, row: Row, name: str, allowed: str) -> None:
        self.cells.wrong(row, name, allowed)

    def _words(self, row: Row, name: str) -> str:
        cell = self.cells.cell(row, name)
        try:
            return words(cell) if cell is not None else ""
        except ValueError as error:
            self.wrong(row, name, str(error))
            return ""

    def _index(self, row: Row) -> str | None:
        cell = self.cells.cell(row, "index")
        if cell is None:
            self.wrong(row, "index", "missing; what the display showed")
            return None
        try:
            number, unit = measured(cell, ENERGY)
            unit = unit or self.heading.columns["index"].unit or "kwh"
            if number < 0:
                raise ValueError("must be 0 or more")
            text = _as_written(cell, number) if ENERGY[unit] == 1000 else f"{number * ENERGY[unit] / 1000:.3f}"
            index_of(text)
        except ValueError as error:
            self.wrong(row, "index", str(error))
            return None
        return text

    def _what(self, row: Row) -> What:
        text = self._words(row, "what").lower().split(" ")[0]
        if text in ("final", "closing", "last", "removed"):
            return What.FINAL
        if text in ("opening", "initial", "first", "fitted"):
            return What.OPENING
        if text not in ("", "reading", "read", "actual", "normal"):
            self.wrong(row, "what", 'must be "reading", or "final" and "opening" of an exchange')
        return What.READING

    def _moment(self, row: Row, zone: ZoneInfo) -> tuple[int, bool] | None:
        cell = self.cells.cell(row, "day")
        if cell is None:
            self.wrong(row, "day", "missing; the date of the reading")
            return None
        try:
            day, clock = self.cells.days["day"].read(cell)
        except ValueError as error:
            self.wrong(row, "day", str(error))
            return None
        if ambiguous(cell):
            self.remarks.caution(f"{self.heading.title('day')} is read day/month/year", row.number)
        written = self.cells.cell(row, "clock")
        try:
            clock = clock_of(written) if written is not None else clock
        except ValueError as error:
            self.wrong(row, "clock", str(error))
            return None
        at_ms = to_ms(datetime.combine(day, NOON if clock is None else clock, tzinfo=zone))
        if at_ms > self.now_ms and not (clock is None and to_ms(datetime.combine(day, time(), zone)) <= self.now_ms):
            self.wrong(row, "day", "lies ahead; a reading is typed after it was read")
            return None
        return min(at_ms, self.now_ms), clock is not None

    def _meter(self, row: Row, serial: str) -> tuple[str, str] | None:
        """The site and its meter, by site and meter, or by the serial alone."""
        name = self._words(row, "site")
        if not name:
            found = self.by_serial.get(serial, set())
            if len(found) == 1:
                return next(iter(found))
            why = "missing; name the site" + (", for no one meter has this serial" if serial else "")
            self.wrong(row, "site" if "site" in self.heading.columns else "serial", why)
            return None
        ids = {slug(name, "site")} & set(self.sites) or self.by_name.get(name.casefold(), set())
        if len(ids) != 1:
            near = nearest(slug(name, "site"), self.sites)
            unknown = "no such site" + (f", did you mean {near}?" if near else "; `watcher sites` lists them")
            why = "several sites are called so; give the id" if ids else unknown
            self.wrong(row, "site", why)
            return None
        id = next(iter(ids))
        meters = {meter.id: meter for meter in self.sites[id].meters if not meter.removed}
        return self._of_site(row, id, meters, serial)

    def _of_site(self, row: Row, id: str, meters: Mapping[str, Meter], serial: str) -> tuple[str, str] | None:
        named = self._words(row, "meter")
        if named:
            chosen = [one for one in meters if named.lower() in (one, f"meter-{one}") or slug(named, "meter") == one]
            chosen = chosen or [meter for site, meter in self.by_serial.get(named, ()) if site == id]
        else:
            chosen = [meter for site, meter in self.by_serial.get(serial, ()) if site == id]
            chosen = chosen or [one.id for one in meters.values() if one.role is MeterRole.GENERATION]
        if len(set(chosen)) != 1:
            column = "meter" if "meter" in self.heading.columns else "site"
            self.wrong(row, column, f"which meter is meant? {id} has {', '.join(meters) or 'none'}")
            return None
        return id, chosen[0]


def _as_written(cell: Cell, number: float) -> str:
    if isinstance(cell, str):
        return "".join(one for one in cleaned(cell) if one.isdigit() or one in ".,").rstrip(".,")
    return f"{number:.4f}".rstrip("0").rstrip(".")
