"""`watcher demo --readings`: a hundred invented homes with nothing installed, and which of them are worth a visit.

Ten years of quarterly readings, as spreadsheets an installer would have, go through the same import and the same list
as real ones; then what was found is held against what was broken. Exit code 0 only where they agree.
"""

from __future__ import annotations

import io
from array import array
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from watcher.clock import SystemClock
from watcher.commands.demo_folder import prepare
from watcher.commands.import_readings import import_readings
from watcher.commands.import_sites import import_sites
from watcher.commands.triage import ranked, told, write_csv, write_page
from watcher.config import load_watcher
from watcher.detect.readings_found import Sureness
from watcher.domain.instant import DAY_MS, from_ms
from watcher.report.triage import TriageRow
from watcher.simulate.fleet import FleetHome
from watcher.simulate.fleet_readings import Book
from watcher.simulate.fleet_tables import write_readings, write_sites, write_truth
from watcher.simulate.fleet_world import FleetWorld, fleet_world
from watcher.store.sunshine import SCALES, KeptYear, Kind, Node, SunshineStore, year_bounds
from watcher.wiring import Files

HOMES = 100
TOP = 15
"""All that is broken must be found among the first so many."""

MOST_ACCUSED = 4
QUARTER_MS = 91 * DAY_MS
GRID_DEG = 0.1


@dataclass(frozen=True, slots=True)
class Outcome:
    """broken, found: how many homes are, and stand among the first. dated: of those, to a quarter. accused: healthy"""

    broken: int
    found: int
    dated: int
    accused: int

    @property
    def right(self) -> bool:
        return self.found == self.broken and self.dated >= self.broken - 2 and self.accused <= MOST_ACCUSED


def run_readings_demo(seed: int, output: Path, homes: int = HOMES) -> int:
    """Make the fleet, import it, rank it, show it; 0 where found and broken agree."""
    console = Console(soft_wrap=True)
    if not prepare(output):
        console.print(f"{output} is there and was not made by a demo: choose another folder with --output")
        return 2
    clock = SystemClock()
    begun = clock.monotonic()

    @contextmanager
    def stage(text: str) -> Iterator[None]:
        at = clock.monotonic()
        with console.status(text):
            yield
        console.print(f"{text}: {clock.monotonic() - at:.0f} s")

    config_file = output / "watcher.toml"
    config_file.write_text(WATCHER_FILE, encoding="utf-8")
    (output / "sites").mkdir()
    with stage(f"{homes} homes live through ten years"):
        world = fleet_world(homes, seed)
        write_spreadsheets(world, output)
    with stage("past sunshine is put where it would be kept"):
        keep_sunshine(world, SunshineStore(Files.of(load_watcher(config_file)).sunshine), clock.now_ms())
    heard = io.StringIO()
    with stage("sites.csv and readings.csv are imported"), redirect_stdout(heard):
        import_sites(config_file, output / "sites.csv", None, preview=False)
        import_readings(config_file, output / "readings.csv", preview=False)
    (output / "import.txt").write_text(heard.getvalue(), encoding="utf-8")
    with stage("the meters are held against the sun and ranked"):
        rows, _ = ranked(load_watcher(config_file))
    with stage("the list and its page are written"):
        write_csv(rows, output / "triage.csv")
        write_page(rows, output / "triage.html", TOP)
    console.print("\n".join(told(rows, TOP)), markup=False, highlight=False)
    outcome = compare(world.homes, rows)
    console.print(_table(outcome))
    console.print(f"Page to print: [bold]{output / 'triage.html'}[/]   table: {output / 'triage.csv'}")
    console.print(f"What the import said: {output / 'import.txt'}   what was broken: {output / 'truth.csv'}")
    console.print(f"{clock.monotonic() - begun:.0f} s in all")
    if outcome.right:
        console.print("[bold green]What is broken stands at the top.[/]")
        return 0
    console.print("[bold red]Found and broken differ.[/]")
    return 1


def compare(homes: Sequence[tuple[FleetHome, Book]], rows: Sequence[TriageRow]) -> Outcome:
    """What stands at the top of the list against what was broken."""
    top = {row.record.id: row for row in rows[:TOP]}
    broken = {home.id: home.fault for home, _ in homes if home.fault is not None}
    found = [top[id] for id in broken if id in top and top[id].finding is not None]
    dated = 0
    for row in found:
        fault = broken[row.record.id]
        if fault is not None and row.finding is not None:
            dated += abs(row.finding.onset_ms - fault.from_ms) <= 1.5 * QUARTER_MS
    accused = sum(
        row.finding is not None
        and row.finding.sureness in (Sureness.CERTAIN, Sureness.LIKELY)
        and row.record.id not in broken
        for row in rows
    )
    return Outcome(len(broken), len(found), dated, accused)


def write_spreadsheets(world: FleetWorld, output: Path) -> None:
    write_sites((home for home, _ in world.homes), output / "sites.csv")
    write_readings(world.homes, output / "readings.csv")
    write_truth(world.homes, output / "truth.csv")


def keep_sunshine(world: FleetWorld, store: SunshineStore, now_ms: int) -> None:
    for cell, sky, ghi in world.cells.values():
        node = Node(cell.latitude_deg, cell.longitude_deg, GRID_DEG)
        columns = {"ghi": ghi, "temp_air": sky.temp_air + 0.7, "wind_speed": sky.wind}
        years = from_ms(int(sky.hour_ending_ms[0])).year, from_ms(int(sky.hour_ending_ms[-2])).year
        for year in range(years[0], years[1] + 1):
            first_ms, next_ms = year_bounds(year)
            inside = (sky.hour_ending_ms > first_ms) & (sky.hour_ending_ms <= next_ms)
            kept = {
                name: array("h", np.round(SCALES[name] * column[inside]).astype(np.int16).tobytes())
                for name, column in columns.items()
            }
            store.keep(node, KeptYear(Kind(year, "satellite"), now_ms, "the simulated archive", kept))


def _table(outcome: Outcome) -> Table:
    table = Table(title="broken and found")
    for title in ("", "wanted", "came out"):
        table.add_column(title)
    table.add_row(f"of {outcome.broken} broken homes among the first {TOP}", f"{outcome.broken}", f"{outcome.found}")
    table.add_row("of those dated to the quarter or the next", f"{outcome.broken - 2} or more", f"{outcome.dated}")
    table.add_row("healthy homes accused", f"{MOST_ACCUSED} or fewer", f"{outcome.accused}")
    return table


WATCHER_FILE = """\
# Written by the demo: nothing is collected and nobody is mailed.
data_folder = "data"
sites_folder = "sites"

[mail]
sender = "Hill Street Solar <watch@installer.example.org>"
host = "127.0.0.1"
security = "none"

[operator]
email = "desk@installer.example.org"
"""
