"""A database file that makes no sense any more: set aside, and another put in its place.

Rule: nothing is deleted and nothing is silently empty. What stood there stays under a dated name; what can be read of
it goes into the new file first, so that a crash at any moment leaves either the damaged file or the whole new one.
"""

from __future__ import annotations

import os
import sqlite3
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from watcher.domain.errors import StoreError
from watcher.domain.instant import from_ms
from watcher.store.trouble import StoreDamaged, store_error

_ENDS = ("", "-wal", "-shm")
_MOST_FAILURES = 5_000
"""Ranges that may turn out unreadable before a table is given up: a few damaged pages take some hundred."""

Salvage = Callable[[Path, Path], str]
"""Reads what it can of the first file into the second, which it creates; says in words what that was."""


@dataclass(frozen=True, slots=True)
class Damage:
    """What befell a file, for a notice to the operator.

    found: what was wrong. aside: where what was there is kept, None where nothing was. kept: what was carried over
    """

    file: Path
    found: str
    aside: Path | None
    kept: str

    def __str__(self) -> str:
        where = f"set aside as {self.aside.name}" if self.aside is not None else "nothing was there to set aside"
        return f"{self.file.name}: {self.found}; {where}; {self.kept}"


def trouble_in(path: Path) -> str:
    """What is wrong with a database file, in words; "" for a sound one, one that is not there, and one in use."""
    if not path.exists():
        return ""
    if path.stat().st_size == 0:
        return "the file was empty"
    try:
        with closing(sqlite3.connect(path, 5.0)) as connection:
            (said,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as error:
        return str(error) if isinstance(store_error("", error), StoreDamaged) else ""
    return "" if said == "ok" else str(said).replace("\n", " ")


def replaced(path: Path, found: str, now_ms: int, salvage: Salvage) -> Damage:
    """Set a damaged file aside and put what can be read of it in its place; nothing, where that cannot be done.

    found: what is wrong with it, in words. now_ms: for the name. A caller that finds no file there then begins anew.
    """
    fresh = _fresh(path)
    _remove(fresh)  # of an attempt that was cut off
    try:
        kept = salvage(path, fresh)
    except (StoreError, sqlite3.Error) as error:
        _remove(fresh)
        kept = f"nothing could be carried over: {error}"
    aside = set_aside(path, now_ms)
    if fresh.exists():
        os.replace(fresh, path)
    sync_folder(path.parent)
    return Damage(path, found, aside, kept)


def finished(path: Path, now_ms: int) -> Damage | None:
    """Finish a replacement that was cut off between its two renamings; None where none was."""
    fresh = _fresh(path)
    if path.exists() or not fresh.exists():
        return None
    set_aside(path, now_ms)  # its log, where that still stands
    os.replace(fresh, path)
    sync_folder(path.parent)
    return Damage(path, "it was damaged", _newest_aside(path), "the new file was finished after an interruption")


def set_aside(path: Path, now_ms: int, because: str = "damaged") -> Path:
    """Give a database, with its log, a dated name in the same folder; the name."""
    named = f"{path.name}.{because}-{from_ms(now_ms).strftime('%Y%m%dT%H%M%SZ')}"
    aside = path.with_name(named)
    number = 1
    while any(Path(f"{aside}{end}").exists() for end in _ENDS):
        number += 1
        aside = path.with_name(f"{named}-{number}")
    for end in _ENDS:
        if (part := Path(f"{path}{end}")).exists():
            os.replace(part, f"{aside}{end}")
    return aside


def sync_folder(folder: Path) -> None:
    """Make renamings in a folder outlast a power cut."""
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def opened_damaged(path: Path) -> sqlite3.Connection:
    """A connection that reads a damaged file, with its log where there is one, and changes nothing."""
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", isolation_level=None, uri=True)
    # Read-only as it is, this only makes the engine go on where a file is shorter than its first page says.
    connection.execute("PRAGMA writable_schema = ON")
    return connection


def readable(connection: sqlite3.Connection, select: str, low: int, high: int) -> Iterator[tuple[Any, ...]]:
    """The rows of a query between two keys, halved again and again around what cannot be read.

    select: takes the two keys, both included. Rows next to damage may come twice.
    """
    ranges, failures = deque([(low, high)]), 0
    while ranges and failures < _MOST_FAILURES:
        low, high = ranges.popleft()
        try:
            yield from connection.execute(select, (low, high))
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            if isinstance(error, sqlite3.OperationalError) and error.sqlite_errorcode == sqlite3.SQLITE_ERROR:
                return  # there is no such table
            failures += 1
            if low < high:
                middle = (low + high) // 2
                ranges += [(low, middle), (middle + 1, high)]


def _fresh(path: Path) -> Path:
    return path.with_name(f"{path.name}.fresh")


def _newest_aside(path: Path) -> Path | None:
    found = [one for one in path.parent.glob(f"{path.name}.damaged-*") if not one.name.endswith(("-wal", "-shm"))]
    return max(found, default=None)


def _remove(path: Path) -> None:
    for end in _ENDS:
        Path(f"{path}{end}").unlink(missing_ok=True)
