"""The published lists: which columns a sheet of sites or of readings may have, and by which names. Declarations only.

Rule: config/sheets/columns.md is this list for people; a test holds the two together. Of two columns that mean the
same the one whose name stands first here is taken.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from watcher.sheets.values import ANGLE, ENERGY, LENGTH, NO_UNIT, PENCE, POWER


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a column may hold.

    names: in lower case, without signs, the published one first. units: that may stand in the heading or in a cell, by
        their size. note: for people
    """

    name: str
    names: tuple[str, ...]
    note: str
    units: dict[str, float] = field(default_factory=lambda: NO_UNIT)


def _field(name: str, names: str, note: str, units: dict[str, float] = NO_UNIT) -> Field:
    return Field(name, tuple(names.split(", ")), note, units)


SITES = (
    _field(
        "id",
        "site id, id, reference, ref, job, job number, job no, site",
        "short name of the site; left out, made of the site name",
    ),
    _field(
        "name",
        "site name, name, address, property, property address, customer, customer name, address line 1",
        "what people call it; left out, the site id",
    ),
    _field(
        "postcode",
        "postcode, post code, postal code",
        "UK postcode, with --postcodes; needed without coordinates",
    ),
    _field(
        "latitude",
        "latitude, lat, latitude deg",
        "degrees north; coordinates win over the postcode",
        ANGLE,
    ),
    _field(
        "longitude",
        "longitude, long, lon, lng, longitude deg",
        "degrees east; most of Britain is negative",
        ANGLE,
    ),
    _field(
        "altitude",
        "altitude, height above sea, elevation above sea",
        "metres above the sea; left out, 60",
        LENGTH,
    ),
    _field(
        "region",
        "region, area, county",
        "sites of one region are compared with each other",
    ),
    _field(
        "zone",
        "time zone, timezone, zone",
        "left out, Europe/London",
    ),
    _field(
        "peak_power",
        "peak power, array size, system size, array power, installed capacity, capacity, dc capacity, kwp, "
        "peak power w, size, power",
        "of the panels of the row; needed, or panels and panel power",
        POWER,
    ),
    _field(
        "panels",
        "panels, number of panels, no of panels, panel count, modules, number of modules",
        "how many",
    ),
    _field(
        "panel_power",
        "panel power, panel rating, panel size, module power, panel watts, watts per panel, module rating",
        "of one panel",
        POWER,
    ),
    _field(
        "tilt",
        "tilt, slope, pitch, roof pitch, inclination, angle, roof slope, roof angle",
        "degrees, 0 flat to 90 upright; needed",
        ANGLE,
    ),
    _field(
        "azimuth",
        "azimuth, direction, orientation, aspect, facing, roof direction, roof orientation",
        "degrees clockwise from north, or a compass word; needed",
        ANGLE,
    ),
    _field(
        "array",
        "array, roof, array name, string",
        "name of this array, where a site has several rows",
    ),
    _field(
        "from",
        "from, since, valid from, added on, changed on, date of change",
        "date: the row holds from then on, for panels added, or an inverter or meter exchanged",
    ),
    _field(
        "conversion",
        "conversion, electronics, panel electronics",
        "string, optimised or micro; left out, string",
    ),
    _field(
        "inverter",
        "inverter, inverter id, inverter number, inverter no, which inverter",
        "1, 2 or a name, where a site has several; left out, 1",
    ),
    _field(
        "ac_limit",
        "inverter rating, inverter size, inverter power, inverter capacity, ac rating, ac limit, ac power, ac "
        "capacity, rated ac power, inverter kw",
        "of the inverter; left out, the peak power",
        POWER,
    ),
    _field(
        "inverter_serial",
        "inverter serial, inverter serial number, inverter serial no",
        "",
    ),
    _field(
        "battery",
        "battery, storage, battery coupling",
        "none, ac or dc: where a battery couples; left out, none",
    ),
    _field(
        "meter_serial",
        "meter serial, meter serial number, meter serial no, generation meter serial, generation meter serial "
        "number, generation meter, meter number, meter no, meter",
        "",
    ),
    _field(
        "meter_make",
        "meter make, make of meter, meter manufacturer",
        "",
    ),
    _field(
        "meter_model",
        "meter model, meter type",
        "",
    ),
    _field(
        "digits",
        "meter digits, digits, digits before the point",
        "of its display before the decimal point; left out, 5",
    ),
    _field(
        "decimals",
        "meter decimals, decimals, digits after the point",
        "after it; left out, 1",
    ),
    _field(
        "accuracy_class",
        "accuracy class, meter class, class",
        "A, B or C; left out, B",
    ),
    _field(
        "certified_until",
        "certified until, meter certified until, meter certification expires, meter expiry",
        "date",
    ),
    _field(
        "place",
        "meter location, meter place, location of meter, where the meter is",
        "where the meter hangs",
    ),
    _field(
        "commissioned",
        "commissioned, commissioning date, installed, installed on, install date, installation date, date "
        "installed, date commissioned",
        "date",
    ),
    _field(
        "certificate",
        "certificate, certificate number, certificate no",
        "",
    ),
    _field(
        "quoted",
        "quoted annual kwh, quoted generation, estimated generation, estimated annual generation, annual "
        "estimate, predicted generation, expected annual generation",
        "what was promised for a year",
        ENERGY,
    ),
    _field(
        "rate",
        "feed in rate, generation rate, generation tariff, tariff rate, tariff, feed in tariff rate",
        "pence for a generated kWh",
        PENCE,
    ),
    _field(
        "owner_email",
        "owner email, customer email, email, e mail, email address",
        "",
    ),
    _field(
        "occupier_email",
        "occupier email, tenant email",
        "",
    ),
    _field(
        "installer_email",
        "installer email",
        "",
    ),
)

READINGS = (
    _field(
        "site",
        "site id, id, site, reference, ref, job, job number, job no, site name, name, address, property, "
        "customer, customer name",
        "id or name of the site; needed, unless the serial tells",
    ),
    _field(
        "meter",
        "meter id, meter, which meter",
        "left out, the site's only generation meter",
    ),
    _field(
        "serial",
        "meter serial, meter serial number, meter serial no, serial, serial number, serial no, generation meter serial",
        "as on its front; held against the site file",
    ),
    _field(
        "day",
        "date, reading date, date of reading, date read, read on, day, when",
        "needed; 3/4/2024 is the third of April",
    ),
    _field(
        "clock",
        "time, time of reading, reading time, time read",
        "on the site's clock; left out, taken as noon",
    ),
    _field(
        "index",
        "reading, meter reading, generation reading, generation meter reading, index, register, kwh, total "
        "generation, total kwh, reading value, value",
        "what the display showed; needed",
        ENERGY,
    ),
    _field(
        "what",
        "what, kind, type of reading, reading type",
        "reading, or final and opening of a meter that was exchanged; left out, reading",
    ),
    _field(
        "reader",
        "read by, reader, who, by",
        "who read it",
    ),
    _field(
        "note",
        "note, notes, comment, comments, remark, remarks",
        "",
    ),
)

NEEDED = {"sites": ("tilt", "azimuth"), "readings": ("day", "index")}
"""Without these columns a sheet is not what it was said to be."""

UNITS = {unit for fields in (SITES, READINGS) for one in fields for unit in one.units}

_OPENING = """\
# Columns of spreadsheets

`watcher import --sites FILE` and `watcher import --readings FILE` read CSV or XLSX. A column is found by any of these
names, in any order, in capitals or not, with its unit in brackets or after it (`System size (kWp)`); a slip of a letter
is forgiven and said. Rows above the heading and blank rows are passed over. Other columns are left alone and named.
`--preview` shows what was understood and writes nothing. `sites.csv` and `readings.csv` are examples.

Readings may also stand in a column for each date, with the date as its heading and a row for each site.
"""


def listed() -> str:
    """The lists as a document for people."""
    lines = [_OPENING.rstrip()]
    kinds = (("Sites: a row for each array of panels", SITES), ("Readings: a row for each reading", READINGS))
    for title, fields in kinds:
        lines += ["", f"## {title}", "", "| column | also called | what |", "| --- | --- | --- |"]
        for one in fields:
            units = ", ".join(unit for unit in one.units if unit.isascii() or unit in "°£/kwh")
            what = "; ".join(filter(None, (one.note, f"units: {units}" if units else "")))
            lines.append(f"| {one.names[0]} | {', '.join(one.names[1:])} | {what} |")
    return "\n".join(lines) + "\n"
