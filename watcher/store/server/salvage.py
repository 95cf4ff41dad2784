"""What can still be read of a damaged spool, put into a new one.

Rule: a row is carried over whole and checked, or not at all. All of them are sent and proven anew, which changes
nothing on the server; what was lost of the rest, the server is asked for (its sites count as not compared).
"""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from itertools import islice
from pathlib import Path

from watcher.store.damaged import opened_damaged, readable
from watcher.store.readings_file import Access, said, transaction
from watcher.store.server.spool_file import open_spool

_FIRST_MS, _LAST_MS = 0, 2**42
_LAST_NUMBER = 2**40
_AT_ONCE = 20_000


def salvage_spool(damaged: Path, fresh: Path) -> str:
    """Create the new file with all that is readable; says how much that is. StoreError for the new file."""
    old, new = opened_damaged(damaged), open_spool(fresh, Access.WRITE)
    with closing(old), closing(new), said("carrying the spool over"):
        series = _names(old, new)
        rows = _carry(old, new, series)
        _lates(old, new, series)
        return f"{rows} readings on their way to the server could be read and were carried over"


def _names(old: sqlite3.Connection, new: sqlite3.Connection) -> set[int]:
    sites = {
        number: (name, through_ms)
        for number, name, through_ms in readable(
            old, "SELECT id, name, received_through_ms FROM site WHERE id BETWEEN ? AND ?", 0, _LAST_NUMBER
        )
        if isinstance(name, str) and (through_ms is None or _is_time(through_ms))
    }
    select = "SELECT id, site, channel, first_ms, last_ms, newest_ms, newest FROM series WHERE id BETWEEN ? AND ?"
    series = {
        number: (number, site, channel, *rest)
        for number, site, channel, *rest in readable(old, select, 0, _LAST_NUMBER)
        if site in sites and isinstance(channel, str) and all(one is None or _is_time(one) for one in rest[:3])
    }
    with transaction(new, Access.WRITE):
        new.executemany(
            "INSERT OR IGNORE INTO site (id, name, received_through_ms) VALUES (?, ?, ?)",
            [(number, *site) for number, site in sites.items()],
        )
        new.executemany("INSERT OR IGNORE INTO series VALUES (?, ?, ?, ?, ?, ?, ?)", series.values())
    return set(series)


def _carry(old: sqlite3.Connection, new: sqlite3.Connection, series: set[int]) -> int:
    """Rows of the queue in their order, then the refused ones; how many."""
    found = (
        (time_ms, number, value, received_ms)
        for select in (
            "SELECT time_ms, series, value, received_ms FROM row WHERE id BETWEEN ? AND ?",
            "SELECT time_ms, series, value, received_ms FROM refused WHERE time_ms BETWEEN ? AND ?",
        )
        for time_ms, number, value, received_ms in readable(old, select, _FIRST_MS, _LAST_MS)
        if number in series
        and _is_time(time_ms)
        and (received_ms is None or _is_time(received_ms))
        and isinstance(value, float)
        and math.isfinite(value)
    )
    while some := list(islice(found, _AT_ONCE)):
        with transaction(new, Access.WRITE):
            # They were the first of their keys here, and the server may have them: as from a spool that began anew.
            new.executemany(
                "INSERT OR IGNORE INTO row (time_ms, series, value, received_ms, doubtful) VALUES (?, ?, ?, ?, 2)", some
            )
    (count,) = new.execute("SELECT count(*) FROM row").fetchone()
    return int(count)


def _lates(old: sqlite3.Connection, new: sqlite3.Connection, series: set[int]) -> None:
    for number in sorted(series):
        select = (
            f"SELECT received_ms, first_ms, last_ms FROM late WHERE series = {number} AND received_ms BETWEEN ? AND ?"
        )
        found = [row for row in readable(old, select, _FIRST_MS, _LAST_MS) if all(map(_is_time, row))]
        with transaction(new, Access.WRITE):
            new.executemany(f"INSERT OR IGNORE INTO late VALUES ({number}, ?, ?, ?)", found)


def _is_time(found: object) -> bool:
    return isinstance(found, int) and _FIRST_MS <= found <= _LAST_MS
