"""Notices to the operator about the watcher itself. Plain text; the operator runs the program and reads file names."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from urllib.parse import urlsplit

from watcher.domain.errors import Problem
from watcher.domain.instant import from_ms, iso
from watcher.domain.trouble import Trouble
from watcher.notify.bundle import Region

_NAMED_AT_MOST = 10


def bad_sites_notice(
    problems: Sequence[Problem], watched: int, files: int, sender: str, operator: str, now_ms: int
) -> EmailMessage:
    """Names every site file that could not be used, and how many are watched all the same."""
    listed = "\n".join(f"  {problem}" for problem in problems)
    subject = f"{watched} of {files} sites watched: {files - watched} site files need you"
    text = (
        f"{watched} of {files} sites are watched. The others are not, until this is put right:\n\n{listed}\n\n"
        "Correct the files, then run: watcher check\n"
        "Reload with: systemctl reload pv-watcher\n"
    )
    return _notice(subject, text, sender, operator, now_ms)


def not_reloaded_notice(problems: Sequence[Problem], sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Says that changed files were refused, why, and that the last good ones go on."""
    listed = "\n".join(f"  {problem}" for problem in problems)
    text = (
        "A reload was asked for and refused: the files have problems. The last good configuration goes on, so what\n"
        f"was changed is not in force:\n\n{listed}\n\n"
        "Correct the files, then run: watcher check\n"
        "Reload with: systemctl reload pv-watcher\n"
    )
    return _notice("Not reloaded: the changed files have problems", text, sender, operator, now_ms)


def reference_silent_notice(troubles: Sequence[Trouble], sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Says that one source of sunshine has told nothing of use for too long, since when, why, and what that means.

    troubles: at least one, all of the same source
    """
    source, since_ms = troubles[0].source, min(trouble.since_ms for trouble in troubles)
    whys = sorted({trouble.why for trouble in troubles})
    sites = sorted({trouble.site for trouble in troubles})
    named = ", ".join(sites[:_NAMED_AT_MOST]) + (", ..." if len(sites) > _NAMED_AT_MOST else "")
    subject = f"No sunshine from {urlsplit(source).hostname or source} since {iso(since_ms)}"
    text = (
        f"{source} has told nothing of use since {iso(since_ms)}:\n\n"
        + "".join(f"  {why}\n" for why in whys[:_NAMED_AT_MOST])
        + f"\nIt serves {len(sites)} of the sites: {named}\n\n"
        "Where these sites have no other reference, what they should make is unknown until it returns. Output that\n"
        "is merely low is not found meanwhile; none at all is, only later. The missing hours are asked for again and\n"
        "judged by themselves once it is back. You hear of this once.\n"
    )
    return _notice(subject, text, sender, operator, now_ms)


def broker_away_notice(troubles: Sequence[Trouble], sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Says that one broker is not reachable, or does not let us in, since when, why, and what that means.

    troubles: at least one, all of the same broker
    """
    source, since_ms = troubles[0].source, min(trouble.since_ms for trouble in troubles)
    whys = sorted({trouble.why for trouble in troubles})
    sites = sorted({trouble.site for trouble in troubles})
    named = ", ".join(sites[:_NAMED_AT_MOST]) + (", ..." if len(sites) > _NAMED_AT_MOST else "")
    text = (
        f"{source} has brought nothing since {iso(since_ms)}:\n\n"
        + "".join(f"  {why}\n" for why in whys[:_NAMED_AT_MOST])
        + f"\nIt serves {len(sites)} of the sites: {named}\n\n"
        "It is tried again all the time. What devices keep and send later with its own time is stored at that time;\n"
        "what carries no time is lost meanwhile. You hear of this once.\n"
    )
    subject = f"Broker not reachable: {urlsplit(source).hostname or source} since {iso(since_ms)}"
    return _notice(subject, text, sender, operator, now_ms)


def not_seen_notice(
    source: str, sites: Sequence[str], since_ms: int, until_ms: int, sender: str, operator: str, now_ms: int
) -> EmailMessage:
    """Says, when all works again, that sites could not be seen for a while, and that no mail went out then."""
    named = ", ".join(sites[:_NAMED_AT_MOST]) + (", ..." if len(sites) > _NAMED_AT_MOST else "")
    text = (
        f"We could not see {len(sites)} sites from {iso(since_ms)} to {iso(until_ms)}, nor send this:\n"
        f"nothing came from {source}.\n\n{named}\n\n"
        "What devices kept and sent later is stored at its own time. No fault was told because of it.\n"
    )
    return _notice(f"We could not see {len(sites)} sites for a while", text, sender, operator, now_ms)


def broker_question_notice(notes: Sequence[str], place: str, sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Asks about what devices publish that looks like a slip in a map, or a renamed device. place: the watcher file"""
    listed = "".join(f"  {note}\n" for note in notes)
    text = (
        f"This was noticed in what devices publish:\n\n{listed}\n"
        "Nothing was changed because of it. Where it is so, correct the site file or the topic map, then run:\n"
        f"watcher check --config {place}\n"
    )
    return _notice("A question about what a device publishes", text, sender, operator, now_ms)


def damaged_store_notice(damages: Sequence[str], sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Names each file that was found damaged, where it is kept, and what could be carried over."""
    listed = "\n".join(f"  {damage}" for damage in damages)
    return _notice(
        "A database was damaged and has been begun anew",
        f"The watcher runs, with this behind it:\n\n{listed}\n\n"
        "Nothing was deleted. If you have a backup, stop the watcher and run: watcher restore FOLDER\n"
        "A card or disk that damages files once does so again: have a look at it.\n",
        sender,
        operator,
        now_ms,
    )


def many_mails_notice(most_an_hour: int, waiting: int, sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Says that the mails of an hour have reached their number, and what becomes of the others."""
    return _notice(
        f"{most_an_hour} mails within an hour: {waiting} more wait",
        f"{most_an_hour} mails have gone out within an hour, which is the most that may. {waiting} more wait and go\n"
        "later, several to one reader as one letter. What is about safety goes at once all the same.\n\n"
        "So many at a time often have one cause, and it may lie with us: look at what they have in common with\n"
        "watcher mails\n",
        sender,
        operator,
        now_ms,
    )


def shared_fault_notice(shared: Region, sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Says that most sites of a region are said to have one fault together, so that what they are held against is
    suspect."""
    named = ", ".join(shared.sites[:_NAMED_AT_MOST]) + (", ..." if len(shared.sites) > _NAMED_AT_MOST else "")
    text = (
        f"{len(shared.sites)} of {shared.of} sites in {shared.name} are said to have {shared.finding} together, the\n"
        f"first since {iso(shared.since_ms)}: {named}\n\n"
        "A fault shared by most is hardly in any of them: look at the sunshine that is told for this region first.\n"
        "Nobody else hears of it while it is so. What is over meanwhile is dropped; what is left when they are few\n"
        "again, or after three days, is told as usual.\n"
    )
    subject = f"{len(shared.sites)} of {shared.of} sites in {shared.name} dropped together: reference suspect"
    return _notice(subject, text, sender, operator, now_ms)


def low_disk_notice(words: str, sender: str, operator: str, now_ms: int) -> EmailMessage:
    """Says how little room is left."""
    return _notice(
        "The disk is nearly full",
        f"{words}.\n\n"
        "When it is full, readings wait in memory, are thinned there, and are written once there is room again;\n"
        "what waits is lost if the machine is switched off. Please make room.\n",
        sender,
        operator,
        now_ms,
    )


def readings_server_notice(
    problems: Sequence[Problem], place: str, sender: str, operator: str, now_ms: int
) -> EmailMessage:
    """Names what is wrong with the server that keeps the readings. place: the watcher file"""
    listed = "".join(f"  {problem}\n" for problem in (replace(problem, place=place) for problem in problems))
    return _notice(
        "The server that keeps the readings needs you",
        f"The readings server answers, with this to be put right there or in the watcher file:\n\n{listed}\n"
        "Nothing is lost meanwhile: readings that the server does not take or keep stay in the spool on this machine,\n"
        "which grows. They are offered to the server again every night.\n",
        sender,
        operator,
        now_ms,
    )


def _notice(subject: str, text: str, sender: str, operator: str, now_ms: int) -> EmailMessage:
    """A message about the watcher itself. The same words at the same instant are the same message."""
    message = EmailMessage()
    message["From"], message["To"] = sender, operator
    message["Subject"] = subject
    message["Date"] = format_datetime(from_ms(now_ms))
    digest = hashlib.sha256(f"{now_ms} {subject} {text}".encode()).hexdigest()[:32]
    message["Message-ID"] = f"<{digest}@{_domain(sender)}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(text)
    return message


def _domain(sender: str) -> str:
    bare = sender.rpartition("<")[2].rstrip(">")
    return Address(addr_spec=bare).domain or "pv-watcher.invalid"
