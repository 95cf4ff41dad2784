"""Rows of a sheet of sites to drafts of sites. Pure.

Rule: a row is an array of panels, or with a date and no panels a change of inverter or meter; rows of one site say the
same of the site or leave it empty. A row that cannot be taken is a problem, and its site is not drafted: half a roof
would be judged as a whole one.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from watcher.config.checked_toml import day as day_key
from watcher.config.site_words import ARRAY, CONTACT, INVERTER, METER, PAPERS, RATE, SITE
from watcher.domain.errors import Problem, SetupError
from watcher.sheets.heading import Heading
from watcher.sheets.postcodes import Place
from watcher.sheets.row_cells import RowCells
from watcher.sheets.sheet import Remarks, Row
from watcher.sheets.site_draft import ALWAYS, Draft, complete, slug
from watcher.sheets.site_places import put_place
from watcher.sheets.values import ENERGY, LENGTH, PENCE, POWER, direction, measured, slope, words

_CONVERSIONS = {
    **dict.fromkeys(("optimiser", "optimisers", "optimizer", "optimizers", "optimized"), "optimised"),
    **dict.fromkeys(("microinverter", "microinverters", "micros"), "micro"),
    **dict.fromkeys(("none", "no", "strings"), "string"),
}
"""Spaces and hyphens do not count."""
_PANELS = ("tilt", "azimuth", "peak_power", "panels", "panel_power")
_WHOSE = ("id", "name", "latitude", "longitude", "postcode")
_FEWEST_TO_TELL = 3
"""Directions that must all lie in the northern half before somebody is asked from where they are counted."""


def draft_sites(heading: Heading, places: Mapping[str, Place] | None, remarks: Remarks) -> list[Draft]:
    """Drafts in the sheet's order. places: of postcodes, None where no table was given. Problems go to `remarks`.

    SetupError where no column names the sites.
    """
    if not {"id", "name"} & set(heading.columns):
        problem = Problem(f"{remarks.place}:{heading.row}", "site name", "", "no column for a site's name or id")
        raise SetupError((problem,))
    return _Drafting(heading, places, remarks).drafts()


class _Drafting:
    def __init__(self, heading: Heading, places: Mapping[str, Place] | None, remarks: Remarks) -> None:
        self.heading, self.places, self.remarks = heading, places, remarks
        self.cells = RowCells(heading, remarks)

    def drafts(self) -> list[Draft]:
        drafts: dict[str, Draft] = {}
        bad: set[str] = set()
        id = ""
        for row in self.heading.rows:
            before = len(self.remarks.problems)
            title = self._title(row)
            if title is None:
                # Merged cells, or a name given once: the panels may be those of the site above.
                if id and self._has(row, "tilt", "azimuth") and not self._has(row, *_WHOSE):
                    bad.add(id)
                    nameless = f"panels without a name stand below {id}, which is not taken until they have one"
                    self.remarks.caution(nameless, row.number)
                continue
            id = slug(title, "site")
            draft = drafts.setdefault(id, Draft(id, title))
            draft.rows.append(row.number)
            self._read(row, draft)
            if len(self.remarks.problems) > before:
                bad.add(id)
        for id in drafts:
            if id in bad and len(drafts[id].rows) > 1:
                whole = f"a row of {id} cannot be taken, so its other rows are not either"
                self.remarks.caution(whole, drafts[id].rows[0])
        good = [draft for id, draft in drafts.items() if id not in bad and complete(draft, self.remarks)]
        facing = [array["azimuth_deg"] for draft in good for _, array in draft.arrays]
        if len(facing) >= _FEWEST_TO_TELL and all(one < 90 or one > 270 for one in facing):
            south = "every roof faces the northern half: are directions counted from south? 0 is north here"
            self.remarks.caution(south, good[0].rows[0])
        return good

    def _has(self, row: Row, *names: str) -> bool:
        return any(self.cells.cell(row, name) is not None for name in names)

    def _title(self, row: Row) -> str | None:
        """What the site's id is made of: the id where there is one, else the name."""
        name = "id" if self.cells.cell(row, "id") is not None else "name"
        cell = self.cells.cell(row, name)
        if cell is None:
            column = "name" if "name" in self.heading.columns else "id"
            self.cells.wrong(row, column, "missing; a site has a name or an id")
            return None
        try:
            text = words(cell)
            if not slug(text, ""):
                raise ValueError("must hold letters or digits, 60 at most, for the name of the site's file")
        except ValueError as error:
            self.cells.wrong(row, name, str(error))
            return None
        return text

    def _read(self, row: Row, draft: Draft) -> None:
        cells = self.cells
        cells.text(row, "name", draft.site, "name", SITE["name"])
        put_place(cells, row, draft.site, self.places)
        cells.number(row, "altitude", draft.site, "altitude_m", SITE["altitude_m"], LENGTH)
        cells.text(row, "region", draft.site, "region", SITE["region"])
        cells.text(row, "zone", draft.site, "zone", SITE["zone"])
        begin = self._begin(row)
        inverter = self._inverter(row, draft)
        if begin == ALWAYS or self._has(row, *_PANELS):
            draft.arrays.append((begin, {**self._array(row), "inverter": inverter}))
        self._inverter_facts(row, draft, inverter, begin)
        self._meter_facts(row, draft, begin)
        cells.day(row, "commissioned", draft.papers, "commissioned", PAPERS["commissioned"])
        cells.text(row, "certificate", draft.papers, "certificate", PAPERS["certificate"])
        cells.number(row, "quoted", draft.papers, "quoted_annual_kwh", PAPERS["quoted_annual_kwh"], ENERGY, 1e-3)
        cells.number(row, "rate", draft.rate, "pence_per_kwh", RATE["pence_per_kwh"], PENCE)
        for role in ("owner", "occupier", "installer"):
            told: dict[str, Any] = {}
            cells.text(row, f"{role}_email", told, "email", CONTACT["email"])
            if told and (role, told["email"]) not in draft.contacts:
                draft.contacts.append((role, told["email"]))

    def _begin(self, row: Row) -> date:
        told: dict[str, Any] = {}
        self.cells.day(row, "from", told, "from", day_key())
        begin: date = told.get("from", ALWAYS)
        return begin

    def _inverter(self, row: Row, draft: Draft) -> str:
        told: dict[str, Any] = {}
        if self._rated_by_name(row):
            return "inverter-1"
        self.cells.text(row, "inverter", told, "inverter", INVERTER["serial"])
        return draft.inverter(told["inverter"]) if told else "inverter-1"

    def _rated_by_name(self, row: Row) -> bool:
        """Whether the column of inverters gives a power and no name: "3.68 kW"."""
        try:
            return bool(measured(self.cells.cell(row, "inverter"), POWER).unit)
        except ValueError:
            return False

    def _inverter_facts(self, row: Row, draft: Draft, inverter: str, begin: date) -> None:
        into = draft.inverters.get(inverter, {}).get(begin, {})
        before = len(into)
        rating = "inverter" if self._rated_by_name(row) and self.cells.cell(row, "ac_limit") is None else "ac_limit"
        self.cells.number(row, rating, into, "ac_limit_w", INVERTER["ac_limit_w"], POWER)
        self.cells.text(row, "inverter_serial", into, "serial", INVERTER["serial"])
        self.cells.word(row, "battery", into, "storage", INVERTER["storage"], {"no": "none"})
        if len(into) > before:
            draft.inverters.setdefault(inverter, {})[begin] = into

    def _meter_facts(self, row: Row, draft: Draft, begin: date) -> None:
        into = draft.meter.get(begin, {})
        before = len(into)
        for name in ("serial", "make", "model"):
            self.cells.text(row, f"meter_{name}", into, name, METER[name])
        self.cells.text(row, "place", into, "place", METER["place"])
        for name in ("digits", "decimals"):
            self.cells.whole(row, name, into, name, METER[name])
        self.cells.word(row, "accuracy_class", into, "accuracy_class", METER["accuracy_class"], {}, str.upper)
        self.cells.day(row, "certified_until", into, "certified_until", METER["certified_until"])
        if len(into) > before:
            draft.meter[begin] = into

    def _array(self, row: Row) -> dict[str, Any]:
        cells = self.cells
        array: dict[str, Any] = {}
        cells.take(row, "tilt", array, "tilt_deg", slope, ARRAY["tilt_deg"], needed=True)
        cells.take(row, "azimuth", array, "azimuth_deg", direction, ARRAY["azimuth_deg"], needed=True)
        cells.number(row, "peak_power", array, "peak_power_w", ARRAY["peak_power_w"], POWER)
        counted: dict[str, Any] = {}
        cells.whole(row, "panels", counted, "panels", None)
        cells.number(row, "panel_power", counted, "power", None, POWER, kilowatts=False)
        product = counted["panels"] * counted["power"] if len(counted) == 2 else None
        if cells.cell(row, "peak_power") is None and product is not None:
            cells.take(row, "panel_power", array, "peak_power_w", lambda _: product, ARRAY["peak_power_w"])
        elif cells.cell(row, "peak_power") is None:
            column = "peak_power" if "peak_power" in self.heading.columns else "panels"
            cells.wrong(
                row, column, "missing; give the peak power of the panels, or how many there are and of what power"
            )
        elif product is not None and "peak_power_w" in array and abs(product / array["peak_power_w"] - 1) > 0.05:
            odds = "panels times panel power is not the peak power; the peak power is taken"
            self.remarks.caution(odds, row.number)
        cells.word(row, "conversion", array, "conversion", ARRAY["conversion"], _CONVERSIONS)
        cells.take(row, "array", array, "id", lambda cell: slug(words(cell), "array"), ARRAY["id"])
        return array
