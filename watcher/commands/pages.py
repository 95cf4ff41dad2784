"""`watcher pages`: serve the pages by themselves, in the foreground; and the link for a screen on a home's wall.

`watcher run` serves them beside its other work where the watcher file has a table [pages]; this is for looking at
what a folder holds without watching, as at any instant.
"""

from __future__ import annotations

import argparse
import signal
import threading
from dataclasses import replace

from watcher.clock import SteppedClock, SystemClock
from watcher.config import WatcherConfig, load_sites, load_watcher
from watcher.config.pages_table import PEOPLE, PagesConfig
from watcher.domain.errors import Problem, SetupError
from watcher.domain.instant import parse_iso
from watcher.web.access import Access, own_key
from watcher.web.people import People
from watcher.web.server import KEY, pages_server
from watcher.wiring import Files


def run_pages(options: argparse.Namespace) -> int:
    """Serve until told to stop; 0. With a site, print its display's link instead."""
    config = load_watcher(options.config)
    served = config.pages or PagesConfig()
    if options.display:
        print(served.reached_at + display_path(config, options.display))
        return 0
    served = served if options.port is None else replace(served, port=options.port)
    clock = SystemClock() if options.at is None else SteppedClock(_instant(options.at))
    server = pages_server(config, clock, served, looking_back=options.at is not None)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    server.start()
    print(f"pages at {served.reached_at} (Ctrl+C ends)", flush=True)
    stop.wait()
    server.stop()
    return 0


def display_path(config: WatcherConfig, site: str) -> str:
    """The path of a home's display, with its token. SetupError where there is no such site."""
    found = load_sites(config.sites_folder)
    if site not in found.good:
        raise SetupError((Problem(str(config.sites_folder), "--display", site, "no such site"), *found.problems))
    people = People(Files.of(config).folder / PEOPLE)
    access = Access(people, own_key(people.path.with_name(KEY)), SystemClock().monotonic)
    return f"/home/{site}/display?token={access.display_token(site)}"


def _instant(text: str) -> int:
    try:
        return parse_iso(text)
    except ValueError:
        raise SetupError((Problem("command line", "--at", text, "must be ISO 8601 with an offset or Z"),)) from None
