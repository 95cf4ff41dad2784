"""A site as a sheet tells it, and what it leaves out. Pure.

Rule: what is assumed is said. A fact that changes is a further entry with its date, as in the site file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from watcher.sheets.sheet import Remarks

ALTITUDE_M = 60.0
"""Where most British houses stand, give or take; a hundred metres change the light by one part in three hundred."""
ZONE = "Europe/London"
ALWAYS = date.min
_BRITAIN_ENDS_DEG = 2.0

Entry = dict[str, Any]
Dated = dict[date, Entry]
"""Entries of one device by the day from which they hold; ALWAYS for the first."""


@dataclass(slots=True)
class Draft:
    """id, title: of the site and what it was made of. rows: where it stands in the sheet

    site, papers, rate: by the site file's keys. arrays: (from, keys), in the sheet's order; each with its "inverter"
    inverters: by id. contacts: (role, email)
    """

    id: str
    title: str
    rows: list[int] = field(default_factory=list)
    site: Entry = field(default_factory=dict)
    arrays: list[tuple[date, Entry]] = field(default_factory=list)
    inverters: dict[str, Dated] = field(default_factory=dict)
    inverter_words: list[str] = field(default_factory=list)
    meter: Dated = field(default_factory=dict)
    papers: Entry = field(default_factory=dict)
    rate: Entry = field(default_factory=dict)
    contacts: list[tuple[str, str]] = field(default_factory=list)

    def inverter(self, text: str) -> str:
        """The id of an inverter from what a cell calls it: by its number, else by the order of names."""
        if match := re.fullmatch(r"(?:inv(?:erter)?)?[ -]?([1-9])", text.lower()):
            return f"inverter-{match[1]}"
        if text not in self.inverter_words:
            self.inverter_words.append(text)
        return f"inverter-{self.inverter_words.index(text) + 1}"


def slug(text: str, otherwise: str) -> str:
    """A name in lower case letters, digits and hyphens; "" where there is nothing to make one of."""
    bare = re.sub(r"[^a-z0-9]+", "-", text.lower().replace("'", "")).strip("-")
    if not bare or len(bare) > 60:
        return ""
    return bare if bare[0].isalpha() else f"{otherwise}-{bare}"


def complete(draft: Draft, remarks: Remarks) -> bool:
    """Put in what a site needs and the sheet left out; False, and a problem, where that cannot be assumed."""
    first = draft.rows[0]
    draft.site = {"name": draft.title, **draft.site}
    if not draft.arrays:
        remarks.wrong(first, "", None, "no panels: give slope, direction and peak power")
        return False
    if "latitude_deg" not in draft.site:
        remarks.wrong(first, "", None, "no place: give latitude and longitude, or a postcode and --postcodes FILE")
        return False
    if draft.site.setdefault("zone", ZONE) == ZONE and draft.site["longitude_deg"] > _BRITAIN_ENDS_DEG:
        east = "longitude is more than 2 degrees east, which is not in Britain; most of it is negative"
        remarks.caution(east, first)
    draft.site.setdefault("altitude_m", ALTITUDE_M)
    _name_arrays(draft)
    _rate_inverters(draft, remarks)
    if not any("digits" in entry for entry in draft.meter.values()):
        remarks.caution("no number of digits: the meter is taken to show 5 and its decimals", first)
    return True


def entries(dated: Dated) -> Iterator[tuple[date, Entry]]:
    """Whole entries in order of time: each with what it does not say anew; those that say nothing anew left out."""
    before: Entry = {}
    for day in sorted(dated):
        own = dated[day]
        if "serial" in own and own["serial"] != before.get("serial"):
            before = {key: value for key, value in before.items() if key not in _OF_ONE_DEVICE}
        whole = {**before, **own}
        if whole != before or day == ALWAYS:
            yield day, whole
        before = whole


_OF_ONE_DEVICE = ("serial", "make", "model", "certified_until")


def meter_entries(draft: Draft) -> list[tuple[date, Entry]]:
    """The meter's entries; another begins when an inverter is added, for it covers all there are."""
    begins = {id: min(dated) for id, dated in draft.inverters.items()}
    dated: Dated = {ALWAYS: {}, **{day: {} for day in begins.values()}, **draft.meter}
    covered: Dated = {}
    for day, entry in dated.items():
        covered[day] = {**entry, "covers": sorted(id for id, begin in begins.items() if begin <= day)}
    return [(day, entry) for day, entry in entries(covered) if entry["covers"]]


def _name_arrays(draft: Draft) -> None:
    """Every array has a name; the same name again is its next entry where it has another date."""
    used: set[tuple[str, date]] = set()
    for at, (day, array) in enumerate(draft.arrays, 1):
        name = array.get("id", f"array-{at}")
        array["id"] = name if (name, day) not in used else f"{name}-{at}"
        used.add((array["id"], day))


def _rate_inverters(draft: Draft, remarks: Remarks) -> None:
    """Each inverter an array ends at is there from the array's day on, with a rating."""
    for day, array in draft.arrays:
        dated = draft.inverters.setdefault(array["inverter"], {})
        if not dated or min(dated) > day:
            dated[day] = {}
    for id, dated in draft.inverters.items():
        begin = min(dated)
        if "ac_limit_w" in dated[begin]:
            continue
        power = [array["peak_power_w"] for day, array in draft.arrays if array["inverter"] == id]
        dated[begin]["ac_limit_w"] = sum(power)
        remarks.caution("no inverter rating: taken to be as large as the panels' peak power", draft.rows[0])
