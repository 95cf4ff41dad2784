"""`watcher inspected`: someone has looked at a device and dealt with what was found there. Recorded, never changed.

The one way in which a safety alert ends. It takes effect with the next judging, whether or not the watcher runs now.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from watcher.clock import SystemClock
from watcher.config import load_sites, load_watcher
from watcher.domain.alert import Alert, AlertState
from watcher.domain.errors import Problem, SetupError
from watcher.domain.event import EventKind
from watcher.domain.instant import iso, parse_iso
from watcher.store.ledger import Ledger
from watcher.wiring import Files


def run_inspected(options: argparse.Namespace) -> int:
    """Record it and say what it settles; without a device or an alert, list what stands open and record nothing."""
    config = load_watcher(options.config)
    found = load_sites(config.sites_folder)
    site: str = options.site
    if site not in found.good:
        raise SetupError((Problem(str(config.sites_folder), "--site", site, "no such site"), *found.problems))
    now_ms = SystemClock().now_ms()
    with Ledger(Files.of(config).ledger_url) as ledger:
        standing = [alert for alert in ledger.standing_alerts(site) if alert.state is AlertState.OPEN]
        if options.what is None:
            _list(site, standing)
            return 0
        at_ms = _at_ms(options.at, now_ms)
        about = [alert for alert in standing if options.what in (alert.id, _device(alert.subject))]
        if not about:
            there = sorted({alert.id for alert in standing} | {_device(alert.subject) for alert in standing})
            raise SetupError((Problem("command line", "WHAT", options.what, f"nothing open; {_or_none(there)}"),))
        one = options.what == about[0].id
        values = {"who": options.by, **({"alert": options.what} if one else {})}
        values |= {"note": options.note} if options.note else {}
        ledger.add_event(site, EventKind.INSPECTED, _device(about[0].subject), at_ms, values, now_ms)
    print(f"recorded: {_device(about[0].subject)} of {site}, inspected by {options.by} at {iso(at_ms)}")
    if not one:
        print("it settles the safety alerts on this device; another alert is settled by naming it")
    return 0


def _at_ms(text: str | None, now_ms: int) -> int:
    if text is None:
        return now_ms
    try:
        at_ms = parse_iso(text)
    except ValueError:
        must = "must be ISO 8601 with an offset or Z"
        raise SetupError((Problem("command line", "--at", text, must),)) from None
    if at_ms > now_ms:
        raise SetupError((Problem("command line", "--at", text, "lies ahead; an inspection is recorded after it"),))
    return at_ms


def _list(site: str, standing: Sequence[Alert]) -> None:
    print(f"{site}: {len(standing)} open")
    for alert in standing:
        print(f"{alert.id}  since {iso(alert.onset_ms)}")


def _device(subject: str) -> str:
    return subject.partition(".")[0]


def _or_none(names: Sequence[str]) -> str:
    return f"there are {', '.join(names)}" if names else "there is no open alert"
