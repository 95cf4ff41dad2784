"""Spreadsheets with every ugliness: site files the program accepts and readings that are finite, or placed refusals.

`python -m tests.sheets.fuzz_sheets --count 20000` prints one line of figures; a short run is among the tests. Seeded,
so that a find can be found again.
"""

from __future__ import annotations

import argparse
import math
import random
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from watcher.config import load_site
from watcher.domain.errors import SetupError
from watcher.domain.instant import parse_iso
from watcher.domain.site import SiteRecord
from watcher.sheets.heading import find_heading
from watcher.sheets.postcodes import find_places
from watcher.sheets.reading_events import take_rows
from watcher.sheets.reading_rows import read_rows
from watcher.sheets.sheet import Cell, Remarks, Row, Sheet
from watcher.sheets.site_places import postcodes_of
from watcher.sheets.site_rows import draft_sites
from watcher.sheets.site_text import differences, site_text, untouched
from watcher.sheets.words import READINGS, SITES, Field

NOW = parse_iso("2024-06-01T12:00Z")
UGLY: tuple[Cell, ...] = (
    *(
        None,
        "",
        " ",
        "-",
        "n/a",
        "#REF!",
        "nan",
        "inf",
        "1e308",
        "9" * 400,
        "-0",
        "1,5",
        "1.000,5",
        "--1",
        "٣",
        "½",
        "0x10",
    ),
    *(True, False, float("nan"), float("inf"), -1, 0, 1e300, 10**40, date(1, 1, 1), date(9999, 12, 31), time(23, 59)),
    *(
        "A\x00",
        "a\nb",
        '"',
        "'",
        "\\",
        "\u202e",
        "\ud7ff",
        "=1+1",
        "[site]",
        '"""',
        "\U0001f31e",
        "x" * 300,
        "\ufeff1",
        "§",
    ),
    *("S1 1AA", "zz9", "31/02/2024", "02/31/2024", "45382", "24:00", "12pm", "south-south", "360.0001", "-1e-9"),
)
SOUND: dict[str, tuple[Cell, ...]] = {
    "id": ("home-1", "Home 2", 17, "0042"),
    "name": ("1 High St", 'Café "O\'Neil"', "A\\B"),
    "latitude": (53.4, "51.5°", -53.4),
    "longitude": (-1.5, "-0.1", 4.9),
    "postcode": ("S1 1AA", "s1"),
    "peak_power": (4, "3.92 kWp", "4,000 W", 4000),
    "panels": (16, "16"),
    "panel_power": (250, "0.25 kW"),
    "tilt": (35, "30°", "flat"),
    "azimuth": (180, "SW", "due south"),
    "from": (None, None, "1/6/2019", date(2021, 3, 2)),
    "inverter": (1, 2, "upstairs", None),
    "ac_limit": (3.68, "3680W", None),
    "meter_serial": ("0718", 718.0, None),
    "digits": (5, 6.0, None),
    "rate": ("21.65p", "£0.21", None),
    "battery": ("ac", "No", None),
    "conversion": ("Micro inverters", None),
    "array": ("South roof", "West", None),
    "owner_email": ("a@b.example", None),
    "site": ("home-1", "4 Test Lane", "home-2"),
    "day": ("31/03/2023", "2023-04-05 09:30", date(2023, 6, 30), "03/04/2023"),
    "clock": (None, "9.15am", time(9)),
    "index": (12345, "12,345.6 kWh", "0012345", 12345.678),
    "what": (None, "final", "opening"),
}
RECORDS = {
    id: load_site(
        f"""
[site]
name = "{name}"
latitude_deg = 51.5
longitude_deg = -0.1
altitude_m = 20
zone = "Europe/London"
[[array]]
id = "south"
tilt_deg = 35
azimuth_deg = 180
peak_power_w = 4000
input = "inverter-1.input-1"
[[inverter]]
id = "inverter-1"
ac_limit_w = 3680
[[meter]]
id = "meter-1"
role = "generation"
covers = ["inverter-1"]
serial = "{id[-1]}718"
[[source]]
kind = "typed"
device = "meter-1"
""",
        f"{id}.toml",
        id,
    )
    for id, name in (("home-1", "4 Test Lane"), ("home-2", "6 Test Lane"))
}
PLACES = ["pcds,lat,long", "S1 1AA,53.38,-1.47", "S1 1AB,53.40,-1.49"]


def cell(chance: random.Random, one: Field) -> Cell:
    """Mostly what the column may hold, at times anything."""
    if chance.random() < 0.08:
        return chance.choice(UGLY)
    if chance.random() < 0.02:
        return datetime(2020, 1, 1, tzinfo=UTC).replace(tzinfo=None) + timedelta(hours=chance.randrange(40_000))
    return chance.choice(SOUND.get(one.name, (None,)))


def sheet(chance: random.Random, fields: Sequence[Field], needed: Sequence[str]) -> Sheet:
    """Some columns of a kind, in any order and by any name, with titles above and rubbish between."""
    chosen = [one for one in fields if one.name in needed or chance.random() < 0.5]
    chance.shuffle(chosen)
    titles = [chance.choice((str.lower, str.title, str.upper))(chance.choice(one.names)) for one in chosen]
    if chance.random() < 0.1:
        titles[chance.randrange(len(titles))] = str(chance.choice(UGLY))
    rows: list[tuple[Cell, ...]] = [("Our customers",)] * chance.randrange(3) + [tuple(titles)]
    for _ in range(chance.randrange(1, 12)):
        cells = [cell(chance, one) for one in chosen]
        rows.append(tuple(cells[: chance.randrange(len(cells) + 1)] if chance.random() < 0.03 else cells))
        if chance.random() < 0.05:
            rows.append(())
    return Sheet("a.csv", tuple(Row(number, cells) for number, cells in enumerate(rows, 1)))


def placed(remarks: Remarks) -> None:
    """Every problem has a row and says what is allowed, in lines that can be shown."""
    for problem in remarks.problems:
        place, _, row = problem.place.rpartition(":")
        assert place == "a.csv", problem
        assert int(row) >= 1, problem
        assert problem.allowed, problem
    for line in remarks.told():
        assert line.isprintable(), line


def fuzz_sites(chance: random.Random, found: Counter[str]) -> None:
    page = sheet(chance, SITES, ("name", "tilt", "azimuth", "peak_power", "latitude", "longitude"))
    heading = find_heading(page, SITES, "sites")
    remarks = Remarks(page.place)
    places = find_places(PLACES, postcodes_of(heading), "places.csv") if chance.random() < 0.5 else None
    drafts = draft_sites(heading, places, remarks)
    assert len({draft.id for draft in drafts}) == len(drafts)
    for draft in drafts:
        text = site_text(draft, page.place)
        try:
            record: SiteRecord | None = load_site(text, f"{draft.id}.toml", draft.id)
        except SetupError:
            record = None
            found["sites refused by the program"] += 1
        if record is not None:
            assert record.arrays
            assert untouched(text)
            assert not differences(text, text)
            found["sites"] += 1
    placed(remarks)
    found["problems told"] += len(remarks.problems)


def fuzz_readings(chance: random.Random, found: Counter[str]) -> None:
    page = sheet(chance, READINGS, ("site", "day", "index"))
    remarks = Remarks(page.place)
    rows = read_rows(find_heading(page, READINGS, "readings"), RECORDS, NOW, remarks)
    placed(remarks)
    for id, record in RECORDS.items():
        own = [row for row in rows if row.site == id]
        taken = take_rows(own, record, (), NOW)
        for draft in taken.drafts:
            assert draft.at_ms <= NOW
            assert all(isinstance(one, str) or math.isfinite(one) for one in draft.values.values())
        assert taken.new + taken.same + len(taken.changed) + taken.exchanges <= len(own)
    found["readings"] += len(rows)
    found["problems told"] += len(remarks.problems)


def fuzz(count: int, seed: int) -> Counter[str]:
    """So many sheets of each kind. AssertionError where a promise is broken."""
    chance, found = random.Random(seed), Counter[str]()
    for _ in range(count):
        for one in (fuzz_sites, fuzz_readings):
            found["sheets"] += 1
            try:
                one(chance, found)
            except SetupError:
                found["sheets refused"] += 1
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = fuzz(options.count, options.seed)
    print(f"seed {options.seed}: " + ", ".join(f"{number} {what}" for what, number in found.items()))


if __name__ == "__main__":
    main()
