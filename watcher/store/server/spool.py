"""The spool: where every row of a site goes first, on disk, and where its watermark is kept.

Rule: as in the readings file: one writer says when a row was received, never earlier than it said before, and moves the
site's `received_through` in the transaction that brings the rows; the first value of a (channel, time) stays. What the
spool can answer without the server it does: newest and oldest rows, late receipts, watermarks.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from operator import itemgetter
from pathlib import Path

from watcher.domain.instant import GRACE_MS, GRID_MS, ON_TIME_MS, floor_grid
from watcher.domain.reading import Appended, Late, Reading, checked
from watcher.store.readings_file import Access, said, transaction
from watcher.store.server.lines import Row, named
from watcher.store.server.spool_file import open_spool

_BEGINNING_OF_TIME_MS = -(2**63)
_HISTORY_CHUNK = 50_000

_INSERT = """
    INSERT INTO row (time_ms, series, value, received_ms, doubtful) SELECT ?1, ?2, ?3, ?4, ?5
    WHERE NOT EXISTS (SELECT 1 FROM refused WHERE time_ms = ?1 AND series = ?2) ON CONFLICT DO NOTHING"""
_HELD = "SELECT value FROM held WHERE time_ms = ?1 AND series = ?2"

_NOTHING = Appended(0, 0, 0)


@dataclass(frozen=True, slots=True)
class Extent:
    """Between which times the rows of a site lie; None where there is none.

    compared: whether that counts what the server had before this spool began
    """

    compared: bool
    first_ms: int | None
    last_ms: int | None


@dataclass(frozen=True, slots=True)
class _Site:
    number: int
    received_through_ms: int | None
    compared: bool
    there_first_ms: int | None
    there_last_ms: int | None

    def doubt(self, time_ms: int, bounds: tuple[int, int] | None) -> int:
        """Whether a row that is not held may be on the server already (spool_file.py says what the numbers mean)."""
        if bounds is not None and bounds[0] <= time_ms <= bounds[1]:
            return 1
        if not self.compared:
            return 2
        there = self.there_first_ms is not None and self.there_last_ms is not None
        return 1 if there and self.there_first_ms <= time_ms <= self.there_last_ms else 0  # type: ignore[operator]


class Spool:
    """The spool of any number of sites. May be used from any thread, one call at a time (a lock sees to it)."""

    def __init__(self, path: str | Path, access: Access, kept: Callable[[str, int, float], float]) -> None:
        """Open or create the file. kept: a value of a channel at a time as the server will give it back."""
        self._access, self._kept = access, kept
        self._lock = threading.Lock()
        self.connection = open_spool(path, access)

    def close(self) -> None:
        with self._lock:
            self.connection.close()

    @contextmanager
    def within(self, doing: str, access: Access) -> Iterator[sqlite3.Connection]:
        """One transaction."""
        with self._lock, said(doing), transaction(self.connection, access):
            yield self.connection

    @contextmanager
    def alone(self, doing: str) -> Iterator[sqlite3.Connection]:
        """No transaction, for what looks after the file itself."""
        with self._lock, said(doing):
            yield self.connection

    # Writing

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended:
        """Keep a batch for each site and move the site's watermark, in one transaction."""
        ready = {named(site): [self._ready(reading) for reading in readings] for site, readings in batches.items()}
        total = _NOTHING
        with self.within("spooling readings", Access.WRITE):
            for name, readings in ready.items():
                site = self._site(name)
                received_ms = _not_before(site.received_through_ms, now_ms)
                total = _sum(total, self._store(site, readings, received_ms, received_ms - ON_TIME_MS))
                self._move_watermark(site, received_ms)
        return total

    def append_history(self, name: str, readings: Iterable[Reading], now_ms: int) -> Appended:
        """Keep what a site measured before it was ever evaluated, as if every row had come on time.

        By chunks; the watermark moves last. All as in the readings file.
        """
        total, newest_ms = _NOTHING, None
        rows = iter(readings)
        named(name)
        while chunk := [self._ready(reading) for reading in islice(rows, _HISTORY_CHUNK)]:
            with self.within("spooling history", Access.WRITE):
                site = self._site(name)
                received_ms = _not_before(site.received_through_ms, now_ms)
                total = _sum(total, self._store(site, chunk, received_ms, _BEGINNING_OF_TIME_MS))
            last_ms = max(reading.time_ms for reading in chunk)
            newest_ms = last_ms if newest_ms is None else max(newest_ms, last_ms)
        if newest_ms is not None:
            due_ms = floor_grid(newest_ms) + GRID_MS + GRACE_MS
            with self.within("moving the watermark", Access.WRITE):
                site = self._site(name)
                reached_ms = min(due_ms, _not_before(site.received_through_ms, now_ms))
                self._move_watermark(site, _not_before(site.received_through_ms, reached_ms))
        return total

    # Reading

    def held(self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int) -> dict[str, list[Row]]:
        """Rows the spool still has with start_ms <= time < end_ms, by channel."""
        found: dict[str, list[Row]] = {}
        with self.within("reading the spool", Access.READ) as connection:
            for channel, time_ms, value, received_ms, doubtful in connection.execute(
                "SELECT channel, time_ms, value, received_ms, doubtful FROM held"
                " JOIN series ON series.id = held.series JOIN site ON site.id = series.site"
                " WHERE site.name = ? AND time_ms >= ? AND time_ms < ?",
                (site, start_ms, end_ms),
            ):
                if channels is None or channel in channels:
                    row = Row(0, site, channel, time_ms, value, received_ms, bool(doubtful))
                    found.setdefault(channel, []).append(row)
        return found

    def late(self, site: str, since_ms: int, until_ms: int) -> list[Late]:
        """Receipts of late rows that passed through this spool, in order of receipt, then channel."""
        with self.within("looking for late rows", Access.READ) as connection:
            return [
                Late(*row)
                for row in connection.execute(
                    "SELECT channel, received_ms, late.first_ms, late.last_ms"
                    " FROM site JOIN series ON series.site = site.id JOIN late ON late.series = series.id"
                    " WHERE site.name = ? AND received_ms >= ? AND received_ms < ? ORDER BY received_ms, channel",
                    (site, since_ms, until_ms),
                )
            ]

    def received_through(self, site: str) -> int | None:
        with self.within("reading the watermark", Access.READ) as connection:
            row = connection.execute("SELECT received_through_ms FROM site WHERE name = ?", (site,)).fetchone()
            return None if row is None else row[0]

    def last(self, site: str) -> dict[str, Reading]:
        with self.within("reading the newest rows", Access.READ) as connection:
            newest = connection.execute(
                "SELECT channel, newest_ms, newest FROM site JOIN series ON series.site = site.id"
                " WHERE site.name = ? AND newest_ms IS NOT NULL ORDER BY channel",
                (site,),
            )
            return {channel: Reading(channel, time_ms, value) for channel, time_ms, value in newest}

    def extent(self, site: str) -> Extent:
        with self.within("reading a site's extent", Access.READ) as connection:
            compared, *times = connection.execute(
                "SELECT coalesce(max(compared), FALSE), min(first_ms), min(there_first_ms), max(last_ms),"
                " max(there_last_ms) FROM site LEFT JOIN series ON series.site = site.id WHERE site.name = ?",
                (site,),
            ).fetchone()
            first_ms = min((one for one in times[:2] if one is not None), default=None)
            return Extent(bool(compared), first_ms, max((one for one in times[2:] if one is not None), default=None))

    def sites(self) -> list[str]:
        with self.within("listing the sites", Access.READ) as connection:
            return [name for (name,) in connection.execute("SELECT name FROM site ORDER BY name")]

    # Inside

    def _ready(self, reading: Reading) -> Reading:
        channel, time_ms, value = checked(reading)
        return Reading(channel, time_ms, self._kept(channel, time_ms, float(value)))

    def _site(self, name: str) -> _Site:
        self.connection.execute("INSERT INTO site (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
        number, received_ms, compared, first_ms, last_ms = self.connection.execute(
            "SELECT id, received_through_ms, compared, there_first_ms, there_last_ms FROM site WHERE name = ?", (name,)
        ).fetchone()
        return _Site(number, received_ms, bool(compared), first_ms, last_ms)

    def _move_watermark(self, site: _Site, received_ms: int) -> None:
        self.connection.execute("UPDATE site SET received_through_ms = ? WHERE id = ?", (received_ms, site.number))

    def _series(self, site: _Site, channels: Iterable[str]) -> dict[str, tuple[int, tuple[int, int] | None]]:
        """Number and extent so far of each channel of a site; new ones are entered."""
        self.connection.executemany(
            "INSERT INTO series (site, channel) VALUES (?, ?) ON CONFLICT DO NOTHING",
            [(site.number, named(channel)) for channel in sorted(channels)],
        )
        found = self.connection.execute(
            "SELECT channel, id, first_ms, last_ms FROM series WHERE site = ?", (site.number,)
        )
        return {name: (id, None if first is None else (first, last)) for name, id, first, last in found}

    def _store(self, site: _Site, readings: Sequence[Reading], received_ms: int, on_time_from_ms: int) -> Appended:
        """Insert rows received at one instant; those from on_time_from_ms up to the near future count as on time."""
        if not readings:
            return _NOTHING
        on_time_to_ms = received_ms + ON_TIME_MS
        series = self._series(site, {reading.channel for reading in readings})
        rows: list[tuple[int, int, float, int | None, int]] = []
        bounds: dict[int, tuple[int, int]] = {}
        newest: dict[int, int] = {}
        # In order of time, which is the order of the key; the sort is stable, which leaves the first of two the first.
        for channel, time_ms, value in sorted(readings, key=itemgetter(1)):
            number, before = series[channel]
            if time_ms <= on_time_to_ms:
                newest[number] = time_ms
            bounds[number] = (bounds[number][0] if number in bounds else time_ms, time_ms)
            on_time = on_time_from_ms <= time_ms <= on_time_to_ms
            rows.append((time_ms, number, value, None if on_time else received_ms, site.doubt(time_ms, before)))
        (last_id,) = self.connection.execute("SELECT coalesce(max(id), 0) FROM row").fetchone()
        before_count = self.connection.total_changes
        self.connection.executemany(_INSERT, rows)
        new = self.connection.total_changes - before_count
        self._note_late(last_id)
        self.connection.executemany(
            "UPDATE series SET first_ms = min(coalesce(first_ms, ?1), ?1), last_ms = max(coalesce(last_ms, ?2), ?2)"
            " WHERE id = ?3 AND (first_ms IS NULL OR ?1 < first_ms OR ?2 > last_ms)",
            [(first_ms, last_ms, number) for number, (first_ms, last_ms) in bounds.items()],
        )
        self.connection.executemany(
            f"UPDATE series SET newest_ms = ?1, newest = ({_HELD}) WHERE id = ?2 AND coalesce(newest_ms < ?1, TRUE)",
            [(time_ms, number) for number, time_ms in newest.items()],
        )
        if new == len(readings):
            return Appended(new, 0, 0)
        conflicting = sum(self.connection.execute(_HELD, row[:2]).fetchone()[0] != row[2] for row in rows)
        return Appended(new, len(readings) - new - conflicting, conflicting)

    def _note_late(self, after_id: int) -> None:
        self.connection.execute(
            "INSERT INTO late SELECT series, received_ms, min(time_ms), max(time_ms) FROM row"
            " WHERE id > ? AND received_ms IS NOT NULL GROUP BY series, received_ms"
            " ON CONFLICT DO UPDATE SET first_ms = min(first_ms, excluded.first_ms),"
            " last_ms = max(last_ms, excluded.last_ms)",
            (after_id,),
        )


def _not_before(before_ms: int | None, ms: int) -> int:
    return ms if before_ms is None else max(before_ms, ms)


def _sum(one: Appended, other: Appended) -> Appended:
    return Appended(one.new + other.new, one.same + other.same, one.conflicting + other.conflicting)
