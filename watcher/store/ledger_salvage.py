"""What was said, carried out of a damaged ledger into a new one; what was judged is judged again.

Rule: site files, events with their documents and mails came from outside or went there, so they are carried over where
they can be read. Verdicts, alerts and settled days follow from the readings: the worker makes them anew from the
beginning, and the mails they cause count as told up to where the damaged ledger had been judged (Ledger.begin_again).
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from watcher.domain.event import Document
from watcher.store import ledger_rows as rows
from watcher.store.damaged import opened_damaged, readable
from watcher.store.ledger import Ledger

_LAST_NUMBER = 2**62


def salvage_ledger(damaged: Path, fresh: Path) -> str:
    """Create the new ledger with all that was said and is readable; says what. StoreError for the new file."""
    Ledger(f"sqlite:///{fresh}").close()
    with closing(opened_damaged(damaged)) as old, closing(sqlite3.connect(fresh, isolation_level=None)) as new:
        new.execute("BEGIN IMMEDIATE")
        until = _judged_until(old)
        counts = {table: _copy(old, new, table, check) for table, check in _TABLES.items()}
        new.executemany("INSERT OR IGNORE INTO site (id) VALUES (?)", [(site,) for site in until])
        new.executemany("INSERT INTO rebuilt (site, told_until_ms) VALUES (?, ?)", list(until.items()))
        new.execute("COMMIT")
    found = ", ".join(f"{count} {_WORDS[table]}" for table, count in counts.items())
    return f"{found} could be read and were carried over; the rest is judged again from the readings"


def _judged_until(old: sqlite3.Connection) -> dict[str, int]:
    select = "SELECT id, evaluated_until FROM site WHERE rowid BETWEEN ? AND ?"
    return {
        site: until_ms
        for site, until_ms in readable(old, select, 0, _LAST_NUMBER)
        if isinstance(site, str) and isinstance(until_ms, int)
    }


def _copy(old: sqlite3.Connection, new: sqlite3.Connection, table: str, check: Callable[[rows.Row], object]) -> int:
    """Copy the rows that make sense; how many."""
    names = [name for _, name, *_ in new.execute(f"PRAGMA table_info({table})")]
    columns = ", ".join(f'"{name}"' for name in names)
    marks = ", ".join("?" * len(names))
    before = new.total_changes
    for row in readable(old, f"SELECT {columns} FROM {table} WHERE number BETWEEN ? AND ?", 0, _LAST_NUMBER):
        named = dict(zip(names, row, strict=True))
        try:
            check(named)
        except (ValueError, TypeError, KeyError, json.JSONDecodeError):
            continue
        if "site" in named:
            new.execute("INSERT OR IGNORE INTO site (id) VALUES (?)", (named["site"],))
        new.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", row)
    return int(new.execute(f"SELECT count(*) FROM {table}").fetchone()[0]) if new.total_changes > before else 0


def _version(row: rows.Row) -> None:
    if not (isinstance(row["site"], str) and isinstance(row["text"], str) and row["text"]):
        raise ValueError("no site file")
    _whole(row, "valid_from_ms", "recorded_ms")


def _event(row: rows.Row) -> None:
    rows.event_from_row(row)
    _whole(row, "at_ms", "received_ms")


def _document(row: rows.Row) -> None:
    if Document.of(row["media"], row["content"]).sha256 != row["sha256"]:
        raise ValueError("not what it was named after")
    _whole(row, "received_ms")


def _mail(row: rows.Row) -> None:
    if rows.mail_from_json(row["mail"]).id != row["id"]:
        raise ValueError("another mail's id")
    _whole(row, "attempts", "next_try_ms")


def _whole(row: rows.Row, *names: str) -> None:
    if not all(isinstance(row[name], int) for name in names):
        raise ValueError("no whole number")


_TABLES: dict[str, Callable[[rows.Row], object]] = {
    "site_version": _version,
    "event": _event,
    "document": _document,
    "outbox": _mail,
}
_WORDS = {"site_version": "site files", "event": "events", "document": "documents", "outbox": "mails"}
