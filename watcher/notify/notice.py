"""Notices to the operator about the watcher itself. Plain text; the operator runs the program and reads file names."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime

from watcher.domain.errors import Problem
from watcher.domain.instant import from_ms


def bad_sites_notice(
    problems: Sequence[Problem], watched: int, files: int, sender: str, operator: str, now_ms: int
) -> EmailMessage:
    """Names every site file that could not be used, and how many are watched all the same."""
    listed = "\n".join(f"  {problem}" for problem in problems)
    message = EmailMessage()
    message["From"], message["To"] = sender, operator
    message["Subject"] = f"{watched} of {files} sites watched: {files - watched} site files need you"
    message["Date"] = format_datetime(from_ms(now_ms))
    digest = hashlib.sha256(f"{now_ms} {listed}".encode()).hexdigest()[:32]
    message["Message-ID"] = f"<{digest}@{_domain(sender)}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(
        f"{watched} of {files} sites are watched. The others are not, until this is put right:\n\n{listed}\n\n"
        "Correct the files, then run: watcher check\n"
        "Reload with: systemctl reload pv-watcher\n"
    )
    return message


def _domain(sender: str) -> str:
    bare = sender.rpartition("<")[2].rstrip(">")
    return Address(addr_spec=bare).domain or "pv-watcher.invalid"
