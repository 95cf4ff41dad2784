"""`watcher mails`: what a home has not been told yet, how it would read, and the firm's word that it may go.

A release is recorded like a visit and never changed; the mail is decided with the next judging.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from watcher.alert.policy import policies
from watcher.alert.telling import releases, waiting
from watcher.alert.wording import letter
from watcher.clock import SystemClock
from watcher.config import SitesFound, load_sites, load_watcher
from watcher.domain.alert import Alert, AlertState, Mail, MailReason
from watcher.domain.errors import Problem, SetupError
from watcher.domain.event import EventKind
from watcher.domain.firm import Firm
from watcher.domain.instant import iso
from watcher.domain.site import Contact, Site
from watcher.notify.message import as_text
from watcher.store.ledger import Ledger
from watcher.wiring import Files

LONGEST_LINE = 500
_EVER_MS = 2**62
_SHOWN_AT_MOST = 1000


@dataclass(frozen=True, slots=True)
class Waiting:
    """An open alert of which some people have not been told. people: from which grid point on each will be"""

    site: Site
    alert: Alert
    people: dict[Contact, int]


def run_mails(options: argparse.Namespace) -> int:
    """List, show or release, as the words say."""
    config = load_watcher(options.config)
    found = load_sites(config.sites_folder)
    now_ms = SystemClock().now_ms()
    words: Sequence[str] = options.words
    with Ledger(Files.of(config).ledger_url) as ledger:
        match words:
            case [] | [_]:
                _list(found, words, ledger, now_ms)
            case ["show", id]:
                _show(_one(found, id, ledger, now_ms), config.firm, ledger, options.line or "", now_ms)
            case ["release", id]:
                one = _one(found, id, ledger, now_ms)
                if any(releases(one.alert, ledger.events(one.site.id, _EVER_MS)[0])):
                    raise _wrong("ID", id, "one that is held back; this is released, and goes with the next judging")
                values = {"who": options.by, **({"line": line_of_text(options.line)} if options.line else {})}
                ledger.add_event(one.site.id, EventKind.RELEASED, one.alert.id, now_ms, values, now_ms)
                print(f"released: {one.alert.id}; {_names(one.people)} will be told with the next judging")
            case _:
                raise _wrong("WORDS", " ".join(words), "nothing, a site, show ID, or release ID")
    return 0


def line_of_text(text: str) -> str:
    """What the firm adds, as one line. SetupError where it is longer than a letter bears."""
    line = " ".join(text.split())
    if len(line) > LONGEST_LINE or not line.isprintable():
        raise _wrong("--line", f"{len(line)} signs", f"plain text of {LONGEST_LINE} signs at most")
    return line


def held_back(site: Site, ledger: Ledger, now_ms: int) -> Iterator[Waiting]:
    """The open alerts of a site of which someone has not been told."""
    events, _ = ledger.events(site.id, _EVER_MS)
    table = policies(site.policy)
    judged_ms = ledger.evaluated_until(site.id) or 0
    for alert in ledger.standing_alerts(site.id):
        if alert.state is AlertState.OPEN:
            people = waiting(alert, site, table[alert.finding], events, min(judged_ms, now_ms))
            if people:
                yield Waiting(site, alert, people)


def _list(found: SitesFound, wanted: Sequence[str], ledger: Ledger, now_ms: int) -> None:
    if wanted and wanted[0] not in found.good:
        raise SetupError((_problem("SITE", wanted[0], "no such site"), *found.problems))
    sites = [found.good[id].at(now_ms) for id in sorted(found.good) if id in wanted or not wanted]
    held = [one for site in sites for one in held_back(site, ledger, now_ms)]
    print(f"{len(held)} held back for the firm's word")
    for one in held:
        for contact, point_ms in one.people.items():
            print(f"{one.alert.id}  to {contact.role} {contact.email}  by itself on {iso(point_ms)}")
    ids = {site.id for site in sites}
    unsent = [row for row in ledger.due_mails(_EVER_MS, _SHOWN_AT_MOST) if row.mail.alert.site in ids]
    print(f"{len(unsent)} decided and not sent yet")
    for row in unsent:
        tries = f"  {row.attempts} tries failed" if row.attempts else ""
        print(f"{row.mail.alert.id}  {row.mail.reason} to {row.mail.role} {row.mail.address}{tries}")


def _one(found: SitesFound, id: str, ledger: Ledger, now_ms: int) -> Waiting:
    site = id.partition("/")[0]
    if site in found.good:
        for one in held_back(found.good[site].at(now_ms), ledger, now_ms):
            if one.alert.id == id:
                return one
    raise _wrong("ID", id, "no open alert of this id is held back; `watcher mails` lists those that are")


def _show(one: Waiting, firm: Firm, ledger: Ledger, line: str, now_ms: int) -> None:
    """The letter as each would get it now; the line shown is the one given, so that it can be tried."""
    standing = ledger.standing_alerts(one.site.id)
    for contact in one.people:
        mail = Mail(one.alert, MailReason.OPENED, contact.role, contact.email, now_ms, line_of_text(line))
        written = letter(mail, one.site, firm, standing)
        print(f"To: {contact.email} ({contact.role})\nSubject: {written.subject}\n\n{as_text(written)}")


def _names(people: dict[Contact, int]) -> str:
    return ", ".join(contact.email for contact in people)


def _wrong(key: str, found: str, allowed: str) -> SetupError:
    return SetupError((_problem(key, found, allowed),))


def _problem(key: str, found: str, allowed: str) -> Problem:
    return Problem("command line", key, found, allowed)
