"""The spreadsheets an installer would have of a simulated fleet: sites, readings, and beside them the truth.

Rule: nothing stands in the first two that an installer would not know. Names and numbers are invented.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from watcher.domain.instant import from_ms
from watcher.simulate.fleet import FleetHome
from watcher.simulate.fleet_readings import Book

SITES = (
    "Site ID", "Address", "Latitude", "Longitude", "Array", "System size (kWp)", "Slope", "Direction", "Inverter",
    "Inverter rating (kW)", "Meter digits", "Meter decimals", "From", "Feed-in rate (p/kWh)",
)  # fmt: skip
READINGS = ("Site", "Date", "Time", "Reading (kWh)", "What")
TRUTH = ("Site", "Fault", "Since", "Wrong on file", "Tags", "Mistyped on")
LONDON = ZoneInfo("Europe/London")


def write_sites(homes: Iterable[FleetHome], file: Path) -> None:
    _write(file, SITES, [row for home in homes for row in _site_rows(home)])


def write_readings(books: Iterable[tuple[FleetHome, Book]], file: Path) -> None:
    _write(file, READINGS, [row for home, book in books for row in _reading_rows(home, book)])


def write_truth(books: Iterable[tuple[FleetHome, Book]], file: Path) -> None:
    rows = []
    for home, book in books:
        fault = home.fault
        mistyped = " ".join(_day(one.at_ms) for one in book.readings if one.slip)
        kind, since = ("", "") if fault is None else (fault.kind, _day(fault.from_ms))
        rows.append((home.id, kind, since, home.gross, " ".join(home.tags), mistyped))
    _write(file, TRUTH, rows)


def _site_rows(home: FleetHome) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    number = home.id.rpartition("-")[2].lstrip("0")
    for n, array in enumerate(home.papers):
        dates = [(array.from_ms, home.limits_w[array.inverter])]
        dates += [(at_ms, limit_w) for at_ms, inverter, limit_w in home.exchanges if inverter == array.inverter]
        for from_ms_, limit_w in dates:
            rows.append(
                (
                    home.id, f"{number} Example Lane", f"{home.latitude_deg:.4f}", f"{home.longitude_deg:.4f}",
                    f"roof {n + 1}", f"{array.peak_w / 1000.0:.2f}", f"{array.tilt_deg:.0f}",
                    f"{array.azimuth_deg:.0f}", f"{array.inverter + 1}", f"{limit_w / 1000.0:.2f}", "5",
                    f"{home.decimals}", _day(from_ms_) if from_ms_ else "",
                    f"{home.rate_pence:.2f}" if home.rate_pence else "",
                )
            )  # fmt: skip
    return rows


def _reading_rows(home: FleetHome, book: Book) -> list[tuple[str, ...]]:
    rows = [(one.at_ms, _row(home, one.at_ms, one.kwh, "reading")) for one in book.readings]
    if (change := book.exchange) is not None:
        rows.append((change.at_ms, _row(home, change.at_ms, change.final_kwh, "final")))
        rows.append((change.at_ms + 1, _row(home, change.at_ms + 60_000, change.opening_kwh, "opening")))
    return [row for _, row in sorted(rows)]


def _row(home: FleetHome, at_ms: int, kwh: float, what: str) -> tuple[str, ...]:
    local = from_ms(at_ms).astimezone(LONDON)
    return home.id, f"{local:%d/%m/%Y}", f"{local:%H:%M}", f"{kwh:.{home.decimals}f}", what


def _day(ms: int) -> str:
    return f"{from_ms(ms).astimezone(LONDON):%d/%m/%Y}"


def _write(file: Path, heading: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    with file.open("w", encoding="utf-8", newline="") as out:
        table = csv.writer(out)
        table.writerow(heading)
        table.writerows(rows)
