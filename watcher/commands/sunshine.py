"""`watcher sunshine`: the past sunshine over all sites, from a service or from files, kept for good.

Asked once for each node of the service's grid and year. Stop it at any time; the next run goes on.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from watcher.clock import Clock, SystemClock
from watcher.collect.weather.past import Doing, Filled, Step, Wanted, fill, missing, whole_hours
from watcher.collect.weather.past_source import PastSource
from watcher.collect.weather.question import cell_of
from watcher.collect.weather.service import Service
from watcher.collect.weather.shelf import Shelf
from watcher.commands.import_table import opened, say_refused
from watcher.config import WatcherConfig, load_sites, load_watcher
from watcher.config.toml_text import read_text
from watcher.domain.errors import Problem, SetupError
from watcher.domain.event import EventKind
from watcher.domain.instant import SECOND_MS, from_ms, iso
from watcher.domain.quantity import channel
from watcher.domain.reading import Reading
from watcher.domain.site import SiteRecord
from watcher.store.ledger import Ledger
from watcher.store.sunshine import Node, SunshineStore, years_of
from watcher.table.columns import Stamp, load_columns, read_table
from watcher.wiring import Files

ANSWER_S = 120.0
"""A year is a long answer."""
FILE_GRID_DEG = 0.1
"""How far around a CSV file of one place is good for, where no service's grid is on file."""
_EARLIEST = 1980
_BASIS = {"weather-analysis": "satellite", "weather-nowcast": "satellite", "weather-forecast": "weather"}


def run_sunshine(options: argparse.Namespace, clock: Clock | None = None) -> int:
    """0 where all that was wanted is kept, 1 where something is still missing."""
    config = load_watcher(options.config)
    sites = _sites(config, options.site)
    store = SunshineStore(Files.of(config).sunshine)
    clock = clock if clock is not None else SystemClock()
    if options.file:
        return _from_files(options, config, sites, store, clock.now_ms())
    if config.sunshine is None:
        needs = "no service to ask: the watcher file has no [sunshine]; or give --file FILE"
        raise SetupError((Problem(config.place, "sunshine", "", needs),))
    now_ms = clock.now_ms()
    years = _years(options, config, sites, now_ms)
    nodes = _nodes(sites.values(), config.sunshine.grid_deg)
    wanted = missing(store, config.sunshine.basis, nodes, years, now_ms)
    print(f"{len(sites)} sites in {len(nodes)} places, {years[0]} to {years[-1]}: {len(wanted)} years to ask for")
    if not wanted:
        return 0
    filled = asyncio.run(_asked(wanted, config, config.sunshine, store, clock))
    print(f"{filled.kept} years kept, {len(filled.refused)} cannot be had, {filled.left} left for another run")
    if filled.why:
        print(f"stopped: {filled.why}")
    return 1 if filled.left or filled.refused else 0


async def _asked(
    wanted: Sequence[Wanted], config: WatcherConfig, source: PastSource, store: SunshineStore, clock: Clock
) -> Filled:
    service = Service(source.address.rstrip("/"), config.weather.limits, Shelf(store.folder / "manners"), ANSWER_S)
    clock.join()
    try:
        return await fill(wanted, source, service, store, clock, Bar(len(wanted), clock).told)
    finally:
        clock.leave()
        service.close()


class Bar:
    """A bar on a terminal, a line a year elsewhere."""

    WIDTH = 30

    def __init__(self, count: int, clock: Clock) -> None:
        self.count, self.clock = count, clock
        self.on_terminal = sys.stdout.isatty()

    def told(self, step: Step) -> None:
        where = f"{step.wanted.node} {step.wanted.year}"
        match step.doing:
            case Doing.ASKING:
                text = f"asking for {where}"
            case Doing.KEPT:
                text = f"{where}: {step.hours} hours"
            case Doing.REFUSED:
                text = f"{where}: {step.error}"
            case Doing.WAITING:
                why = f" ({step.error})" if step.error else ""
                text = f"waiting until {iso(step.until_ms // SECOND_MS * SECOND_MS)}{why}"
        if self.on_terminal:
            done = self.WIDTH * (step.number - (step.doing in (Doing.ASKING, Doing.WAITING))) // self.count
            line = f"[{'#' * done}{'.' * (self.WIDTH - done)}] {step.number} of {self.count}  {text}"
            over = step.doing is Doing.REFUSED or (step.doing is Doing.KEPT and step.number == self.count)
            end = "\n" if over else ""
            print(f"\r\x1b[K{line[:150]}", end=end, flush=True)
        elif step.doing is not Doing.ASKING:
            print(f"{step.number} of {self.count}  {text}", flush=True)


def _sites(config: WatcherConfig, named: Sequence[str] | None) -> Mapping[str, SiteRecord]:
    found = load_sites(config.sites_folder)
    chosen = {id: record for id, record in found.good.items() if not named or id in named}
    unknown = [id for id in named or () if id not in found.good]
    if unknown or not chosen:
        there = f"no such site; there are {', '.join(sorted(found.good)) or 'none'}"
        problems = [Problem("command line", "--site", id, there) for id in unknown]
        raise SetupError((*problems, *found.problems) or (Problem(str(config.sites_folder), "", "", "no site"),))
    return chosen


def _nodes(sites: Iterable[SiteRecord], grid_deg: float) -> list[Node]:
    cells = {cell_of(one.base.latitude_deg, one.base.longitude_deg, grid_deg) for one in sites}
    return [Node(*cell, grid_deg) for cell in sorted(cells)]


def _years(
    options: argparse.Namespace, config: WatcherConfig, sites: Mapping[str, SiteRecord], now_ms: int
) -> Sequence[int]:
    """From the year asked for, or that of the oldest typed reading, or last year; to this one."""
    this = from_ms(now_ms).year
    first = options.begin if options.begin is not None else _oldest_reading(config, sites, this - 1)
    last = min(options.until if options.until is not None else this, this)
    if not _EARLIEST <= first <= last:
        allowed = f"must be years from {_EARLIEST} to {this}, the first not after the last"
        raise SetupError((Problem("command line", "--from", f"{first} --until {last}", allowed),))
    return range(first, last + 1)


def _oldest_reading(config: WatcherConfig, sites: Mapping[str, SiteRecord], otherwise: int) -> int:
    files = Files.of(config)
    if not files.ledger.exists():
        return otherwise
    with Ledger(files.ledger_url) as ledger:
        read = [
            event.at_ms
            for id in sites
            for event in ledger.events(id, 2**62)[0]
            if event.kind is EventKind.TYPED_READING
        ]
    return max(from_ms(min(read)).year, _EARLIEST) if read else otherwise


def _from_files(
    options: argparse.Namespace, config: WatcherConfig, sites: Mapping[str, SiteRecord], store: SunshineStore,
    now_ms: int,
) -> int:  # fmt: skip
    tables = [file for file in options.file if _is_table(file)]
    archives = [file for file in options.file if not _is_table(file)]
    hours = 0
    for file in tables:
        hours += _from_table(file, options, config, sites, store, now_ms)
    if archives:
        hours += _from_archives(archives, options, sites, store, now_ms)
    print(f"{hours} hours kept")
    return 0 if hours else 1


def _is_table(file: Path) -> bool:
    try:
        with file.open("rb") as content:
            start = content.read(8)
    except OSError as error:
        raise SetupError((Problem(str(file), "", "", f"cannot be read: {error.strerror or error}"),)) from None
    if start.startswith(b"CDF"):
        classic = "is netCDF of the classic kind; convert it to netCDF 4 (nccopy -k nc4 OLD NEW)"
        raise SetupError((Problem(str(file), "", "", classic),))
    return not start.startswith(b"\x89HDF")


def _from_table(
    file: Path, options: argparse.Namespace, config: WatcherConfig, sites: Mapping[str, SiteRecord],
    store: SunshineStore, now_ms: int,
) -> int:  # fmt: skip
    """A table of one place, by its column map, as `watcher import` reads it."""
    if options.columns is None or not options.site or len(sites) != 1:
        needs = "a table tells of one place: give --site ID and --columns MAP.toml"
        raise SetupError((Problem("command line", "--file", str(file), needs),))
    (record,) = sites.values()
    grid = config.sunshine.grid_deg if config.sunshine is not None else FILE_GRID_DEG
    (node,) = _nodes([record], grid)
    columns = load_columns(read_text(options.columns), str(options.columns))
    momentary = [column for column in columns.columns if column.label is Stamp.INSTANT]
    if momentary:
        means = "past sunshine is kept as means of hours: give label and period_s in [time]"
        raise SetupError((Problem(str(options.columns), "time.label", "instant", means),))
    with opened(file, columns.encoding) as lines:
        read = read_table(lines, columns, str(file))
    say_refused(read, sys.stdout)
    by_device: dict[str, list[Reading]] = {}
    for one in read.readings:
        by_device.setdefault(channel(one.channel).device, []).append(one)
    kept = 0
    for device, readings in by_device.items():
        hours = whole_hours(readings, columns.time.period_s, str(file))
        for year in years_of(hours, _BASIS.get(device, "measured"), now_ms, file.name):
            kept += year.known()
            store.keep(node, year)
    return kept


def _from_archives(
    files: Sequence[Path], options: argparse.Namespace, sites: Mapping[str, SiteRecord], store: SunshineStore,
    now_ms: int,
) -> int:  # fmt: skip
    from watcher.collect.weather.netcdf import Archive, Place, TimeIs, read_archive

    places = {Place(one.base.latitude_deg, one.base.longitude_deg) for one in sites.values()}
    archive = Archive()
    time_is = TimeIs(options.time_is) if options.time_is else None
    for number, file in enumerate(files, 1):
        read_archive(file, sorted(places), archive, time_is)
        if sys.stdout.isatty():
            print(f"\r\x1b[K{number} of {len(files)} files", end="" if number < len(files) else "\n", flush=True)
    kept = 0
    for node in archive.pieces:
        for year in years_of(archive.hours(node), "satellite", now_ms, files[0].name):
            kept += year.known()
            store.keep(node, year)
    served = {place for place in places if any(node.serves(*place) for node in archive.pieces)}
    for id, record in sites.items():
        if Place(record.base.latitude_deg, record.base.longitude_deg) not in served:
            print(f"{id}: outside the grid of these files")
    return kept
