"""What can still be read of a damaged readings file, put into a new one.

Rule: a row is carried over whole and checked, or not at all: it belongs to a known channel, its types are right, its
chunk reads back. What the newest reading of a channel is, is worked out anew from what was found.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Any

from watcher.domain.instant import ON_TIME_MS
from watcher.store.damaged import opened_damaged, readable
from watcher.store.readings_chunk import unpack
from watcher.store.readings_days import day_of
from watcher.store.readings_file import Access, open_file, said, transaction

# Nobody measured a roof before 1970 or will before 2109; a time outside is a damaged number.
_FIRST_MS, _LAST_MS = 0, 2**42
_LAST_NUMBER = 2**31
_AT_ONCE = 20_000


def salvage_readings(damaged: Path, fresh: Path) -> str:
    """Create the new file with all that is readable; says how many readings that is. StoreError for the new file."""
    old, new = opened_damaged(damaged), open_file(fresh, Access.WRITE)
    with closing(old), closing(new), said("carrying readings over"):
        return _Salvage(old, new).all()


class _Salvage:
    def __init__(self, old: sqlite3.Connection, new: sqlite3.Connection) -> None:
        self._old, self._new = old, new
        self._series: set[int] = set()
        self._newest: dict[int, int] = {}

    def all(self) -> str:
        self._sites()
        for rows, statement in (
            (self._on_time(), "INSERT OR IGNORE INTO on_time (time_ms, series, value) VALUES (?, ?, ?)"),
            (self._late(), "INSERT OR IGNORE INTO late (series, time_ms, received_ms, value) VALUES (?, ?, ?, ?)"),
            (self._chunks(), "INSERT OR IGNORE INTO chunk (series, day, rows, packed) VALUES (?, ?, ?, ?)"),
        ):
            while some := list(islice(rows, _AT_ONCE)):
                with transaction(self._new, Access.WRITE):
                    self._new.executemany(statement, some)
        with transaction(self._new, Access.WRITE):
            self._new.executemany(
                "UPDATE series SET newest_ms = ? WHERE id = ?", [(ms, number) for number, ms in self._newest.items()]
            )
        (kept,) = self._new.execute(
            "SELECT (SELECT count(*) FROM on_time) + (SELECT count(*) FROM late)"
            " + (SELECT coalesce(sum(rows), 0) FROM chunk)"
        ).fetchone()
        return f"{kept} readings of {len(self._newest)} channels could be read and were carried over"

    def _sites(self) -> None:
        sites: dict[int, tuple[str, int | None]] = {}
        for number, name, through_ms in readable(
            self._old, "SELECT id, name, received_through_ms FROM site WHERE id BETWEEN ? AND ?", 0, _LAST_NUMBER
        ):
            if isinstance(name, str) and (through_ms is None or _is_time(through_ms)):
                sites[number] = (name, through_ms)
        series = {
            number: (site, channel)
            for number, site, channel in readable(
                self._old, "SELECT id, site, channel FROM series WHERE id BETWEEN ? AND ?", 0, _LAST_NUMBER
            )
            if site in sites and isinstance(channel, str)
        }
        with transaction(self._new, Access.WRITE):
            self._new.executemany(
                "INSERT OR IGNORE INTO site VALUES (?, ?, ?)", [(number, *site) for number, site in sites.items()]
            )
            self._new.executemany(
                "INSERT OR IGNORE INTO series (id, site, channel) VALUES (?, ?, ?)",
                [(number, *one) for number, one in series.items()],
            )
        self._series = set(series)

    def _on_time(self) -> Iterator[tuple[Any, ...]]:
        select = "SELECT time_ms, series, value FROM on_time WHERE time_ms BETWEEN ? AND ?"
        for time_ms, series, value in readable(self._old, select, _FIRST_MS, _LAST_MS):
            if series in self._series and _is_time(time_ms) and _is_value(value):
                self._note(series, time_ms)
                yield time_ms, series, value

    def _late(self) -> Iterator[tuple[Any, ...]]:
        for number in sorted(self._series):
            select = f"SELECT time_ms, received_ms, value FROM late WHERE series = {number} AND time_ms BETWEEN ? AND ?"
            for time_ms, received_ms, value in readable(self._old, select, _FIRST_MS, _LAST_MS):
                if _is_time(time_ms) and _is_time(received_ms) and _is_value(value):
                    if time_ms <= received_ms + ON_TIME_MS:
                        self._note(number, time_ms)
                    yield number, time_ms, received_ms, value

    def _chunks(self) -> Iterator[tuple[Any, ...]]:
        select = "SELECT series, day, packed FROM chunk WHERE id BETWEEN ? AND ?"
        for series, day, packed in readable(self._old, select, 0, _LAST_NUMBER):
            if series not in self._series or not isinstance(packed, bytes):
                continue
            try:
                times, values = unpack(packed)
            except ValueError:
                continue
            if {day_of(times[0]), day_of(times[-1])} == {day} and all(map(math.isfinite, values)):
                self._note(series, times[-1])
                yield series, day, len(times), packed

    def _note(self, series: int, time_ms: int) -> None:
        self._newest[series] = max(time_ms, self._newest.get(series, time_ms))


def _is_time(found: object) -> bool:
    return isinstance(found, int) and _FIRST_MS <= found <= _LAST_MS


def _is_value(found: object) -> bool:
    return isinstance(found, float) and math.isfinite(found)
