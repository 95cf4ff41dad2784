"""`watcher replay`: judge an old period, or a table, again."""

from __future__ import annotations

import argparse
import sys

from watcher.commands.import_table import read_file, say_refused
from watcher.config import load_sites, load_watcher
from watcher.config.site_file import load_site
from watcher.domain.errors import Problem, SetupError
from watcher.domain.instant import floor_grid, parse_iso
from watcher.domain.site import SiteRecord
from watcher.evaluate import History
from watcher.replay import KnownNow, differences, replay, write_lines
from watcher.store.choice import open_reader
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files


def run_replay(options: argparse.Namespace) -> int:
    """Write the lines; 1 where --compare finds that the ledger says otherwise."""
    problems = _problems(options)
    if problems:
        raise SetupError(problems)
    config = load_watcher(options.config)
    found = load_sites(config.sites_folder)
    site: str = options.site
    if site not in found.good:
        raise SetupError((Problem(str(config.sites_folder), "site", site, "no such site"), *found.problems))
    files = Files.of(config)

    def parse(text: str) -> SiteRecord:
        return load_site(text, f"{site} as recorded", site)

    recorded = Ledger("sqlite://" if options.csv else files.ledger_url)
    history: History
    if options.csv:
        read = read_file(options.csv, options.columns, found.good[site])
        say_refused(read, sys.stderr)
        store = SqliteReadings(":memory:")
        newest_ms = max((reading.time_ms for reading in read.readings), default=0)
        store.append_history(site, read.readings, newest_ms + 86_400_000)
        history = store
    else:
        history = open_reader(files.readings, files.server)
    if options.knowledge == "now":
        history = KnownNow(history)
    begin_ms = parse_iso(options.begin) if options.begin else None
    until_ms = floor_grid(parse_iso(options.until)) if options.until else None
    text = found.texts[site]
    fresh = replay(site, history, recorded, parse, text=text, from_ms=begin_ms, through_ms=until_ms)
    write_lines(site, fresh, sys.stdout)
    if not options.compare:
        return 0
    different = differences(site, recorded, fresh)
    for line in different:
        print(line, file=sys.stderr)
    return 1 if different else 0


def _problems(options: argparse.Namespace) -> tuple[Problem, ...]:
    found: list[Problem] = []
    for name in ("begin", "until"):
        text = getattr(options, name)
        try:
            parse_iso(text or "2026-01-01T00:00:00Z")
        except ValueError:
            key = "--from" if name == "begin" else "--until"
            found.append(Problem("command line", key, text, "must be ISO 8601 with an offset or Z"))
    if bool(options.csv) != bool(options.columns):
        found.append(Problem("command line", "--csv", "", "needs --columns, and the other way round"))
    if options.compare and (options.csv or options.knowledge == "now" or options.begin):
        found.append(
            Problem(
                "command line", "--compare", "", "compares a whole replay of the store with the ledger, nothing else"
            )
        )
    return tuple(found)
