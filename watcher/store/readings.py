"""Readings in one SQLite file.

Rule: one writer. It alone says when a row was received, never earlier than it said before, and moves the site's
`received_through` in the transaction that brings the rows. A row that came within ON_TIME_MS of its own time
carries no `received`; any other stands in a side table with it. The first value of a (channel, time) stays.
Nightly upkeep packs days that are over (readings_days.py); nothing that is read or written tells the difference.

One object may be used from any thread, one call at a time (a lock sees to it); a busy writer and its readers had
better be two objects: `SqliteReadings.open_reader` waits for nobody and sees whole transactions.
"""

from __future__ import annotations

import threading
from array import array
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice
from operator import itemgetter
from pathlib import Path
from typing import Self

from watcher.domain.instant import GRACE_MS, GRID_MS, ON_TIME_MS, floor_grid
from watcher.domain.reading import Appended, Late, Reading, Samples, checked
from watcher.store.readings_chunk import Columns
from watcher.store.readings_days import (
    CLOSED_DAYS,
    columns_between,
    day_of,
    drop_before,
    in_order,
    oldest_packed,
    pack_oldest_day,
    packed_days,
    values_at,
)
from watcher.store.readings_file import BUSY_S, Access, open_file, said, transaction

_BEGINNING_OF_TIME_MS = -(2**63)
_HISTORY_CHUNK = 50_000  # rows of one transaction of an import; about 1 MB
_DAYS_AT_ONCE = 8  # packed in one turn of upkeep; the writer has other work between two turns

_INSERT_ON_TIME = """
    INSERT INTO on_time (time_ms, series, value) SELECT ?1, ?2, ?3
    WHERE NOT EXISTS (SELECT 1 FROM late WHERE series = ?2 AND time_ms = ?1) ON CONFLICT DO NOTHING"""
_INSERT_LATE = """
    INSERT INTO late (time_ms, series, value, received_ms) SELECT ?1, ?2, ?3, ?4
    WHERE NOT EXISTS (SELECT 1 FROM on_time WHERE time_ms = ?1 AND series = ?2) ON CONFLICT DO NOTHING"""
_STORED_VALUE = """
    SELECT value FROM on_time WHERE time_ms = ?1 AND series = ?2
    UNION ALL SELECT value FROM late WHERE series = ?2 AND time_ms = ?1"""

_NOTHING = Appended(0, 0, 0)


class SqliteReadings:
    """The readings of any number of sites.

    keep_days: nightly upkeep drops readings older than this before the newest one; None keeps everything. What people
        typed, what was said and what was judged stands in the ledger, where nothing is ever dropped
    """

    def __init__(self, path: str | Path, access: Access = Access.WRITE) -> None:
        """Open or create the file; ":memory:" keeps everything in memory. StoreError in words where it cannot be."""
        self.keep_days: int | None = None
        self._access = access
        self._lock = threading.Lock()
        self._connection = open_file(path, access)

    @classmethod
    def open_reader(cls, path: str | Path) -> Self:
        """Open an existing file for reading only, beside its writer or after it, in any process."""
        return cls(path, Access.READ)

    def close(self) -> None:
        with self._lock:
            self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Writing

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended:
        """Store a batch for each site and move the site's watermark, in one transaction.

        now_ms: the wall clock. Where it has stepped back, the site's last watermark is used instead.
        An empty sequence moves the watermark alone. ValueError for a value that is not finite, StoreError where
        the file refuses; nothing is stored then.
        """
        for readings in batches.values():
            for reading in readings:
                checked(reading)
        total = _NOTHING
        with self._within("storing readings", Access.WRITE):
            for site, readings in batches.items():
                number, before_ms = self._site(site)
                received_ms = _not_before(before_ms, now_ms)
                total = _sum(total, self._store(number, readings, received_ms, received_ms - ON_TIME_MS))
                self._move_watermark(number, received_ms)
        return total

    def append_history(self, site: str, readings: Iterable[Reading], now_ms: int) -> Appended:
        """Store what a site measured before it was ever evaluated, as if every row had come on time.

        The caller knows that the site was never evaluated (the ledger says so); afterwards a row is late and
        belongs to `append`. A row that lies after now_ms counts as early, as it does there.

        The watermark moves to where the newest row's interval may be judged, but not past now_ms: what is received
        from then on is the live writer's. It moves last: rows go in by chunks, and an import that broke off is
        finished by doing it again. ValueError for a value that is not finite; chunks before it stay, the watermark
        has not moved.
        """
        total, newest_ms = _NOTHING, None
        rows = iter(readings)
        while chunk := [checked(reading) for reading in islice(rows, _HISTORY_CHUNK)]:
            with self._within("storing history", Access.WRITE):
                number, before_ms = self._site(site)
                total = _sum(total, self._store(number, chunk, _not_before(before_ms, now_ms), _BEGINNING_OF_TIME_MS))
            last_ms = max(reading.time_ms for reading in chunk)
            newest_ms = last_ms if newest_ms is None else max(newest_ms, last_ms)
        if newest_ms is not None:
            due_ms = floor_grid(newest_ms) + GRID_MS + GRACE_MS
            with self._within("moving the watermark", Access.WRITE):
                number, before_ms = self._site(site)
                reached_ms = min(due_ms, _not_before(before_ms, now_ms))
                self._move_watermark(number, _not_before(before_ms, reached_ms))
        return total

    def upkeep(self, now_ms: int) -> bool:
        """A turn of nightly work: pack days that are over, drop what is older than keep_days before the newest row.

        now_ms: the wall clock, trusted. Each day is a transaction of its own.
        Whether there is more to do; the turn that ends it folds the write-ahead log into the file.
        """
        closed = day_of(now_ms) - CLOSED_DAYS
        for _ in range(_DAYS_AT_ONCE):
            with self._within("packing a day", Access.WRITE):
                if pack_oldest_day(self._connection, closed) is None:
                    break
        else:
            return True
        if self.keep_days is not None:
            with self._within("dropping old days", Access.WRITE):
                # From the newest row, not from the clock: one that runs years ahead must not empty the store.
                (newest_ms,) = self._connection.execute("SELECT max(newest_ms) FROM series").fetchone()
                if newest_ms is not None:
                    drop_before(self._connection, day_of(min(newest_ms, now_ms)) - self.keep_days)
        with self._lock, said("nightly upkeep"):
            # A bounded look at the rows, or years of them would be read under the writer's lock; the log last, since
            # the figures are written through it.
            self._connection.execute("PRAGMA analysis_limit = 400")
            self._connection.execute("PRAGMA optimize").fetchall()
            # A long read holds this up and the writer with it, so it is not waited for: there is another night.
            self._connection.execute("PRAGMA busy_timeout = 500")
            try:
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            finally:
                self._connection.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")
        return False

    # Reading

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> dict[str, Samples]:
        """Rows with start_ms <= time < end_ms that came on time or were received before received_by_ms.

        channels: names, or None for all. A channel without a row is absent. known_ms of a sample is when it was
        received where it did not come on time, else its own time.
        """
        with self._within("reading a window", Access.READ):
            names = self._series_of(site, channels)
            if not names:
                return {}
            chosen = ",".join(map(str, names))
            packed = columns_between(self._connection, names, start_ms, end_ms)
            seams = {series: len(samples) for series, samples in packed.items()}
            columns = {series: packed[series] if series in packed else Samples() for series in names}
            adders = {series: (one.time_ms.append, one.value.append) for series, one in columns.items()}
            for time_ms, series, value in self._connection.execute(
                f"SELECT time_ms, series, value FROM on_time"
                f" WHERE time_ms >= ? AND time_ms < ? AND series IN ({chosen}) ORDER BY time_ms",
                (start_ms, end_ms),
            ):
                add_time, add_value = adders[series]
                add_time(time_ms)
                add_value(value)
            for series, seam in seams.items():
                columns[series] = _sewn(columns[series], seam)
            for samples in columns.values():
                samples.known_ms.extend(samples.time_ms)
            late: dict[int, list[tuple[int, float, int]]] = {}
            for series, time_ms, value, received_ms in self._connection.execute(
                f"SELECT series, time_ms, value, received_ms FROM late"
                f" WHERE series IN ({chosen}) AND time_ms >= ? AND time_ms < ? AND received_ms < ?",
                (start_ms, end_ms, received_by_ms),
            ):
                late.setdefault(series, []).append((time_ms, value, received_ms))
        for series, rows in late.items():
            columns[series] = _merged(columns[series], rows)
        return {names[series]: samples for series, samples in columns.items() if len(samples)}

    def late(self, site: str, since_ms: int, until_ms: int) -> list[Late]:
        """Rows outside their time with since_ms <= received < until_ms, by channel and instant of receipt.

        In order of receipt, then channel. Rows of an imported history came on time and are not among them.
        """
        with self._within("looking for late rows", Access.READ):
            return [
                Late(*row)
                for row in self._connection.execute(
                    "SELECT channel, received_ms, min(time_ms), max(time_ms)"
                    " FROM site JOIN series ON series.site = site.id JOIN late ON late.series = series.id"
                    " WHERE site.name = ? AND received_ms >= ? AND received_ms < ?"
                    " GROUP BY series.id, received_ms ORDER BY received_ms, channel",
                    (site, since_ms, until_ms),
                )
            ]

    def received_through(self, site: str) -> int | None:
        """Everything received before this instant is in the store [ms]; None for a site never heard of."""
        with self._within("reading the watermark", Access.READ):
            row = self._connection.execute("SELECT received_through_ms FROM site WHERE name = ?", (site,)).fetchone()
            return None if row is None else row[0]

    def last(self, site: str) -> dict[str, Reading]:
        """The newest reading of each channel. What lay ahead when it was received (a forecast) is no such reading."""
        with self._within("reading the newest rows", Access.READ):
            newest = self._connection.execute(
                "SELECT channel, series.id, newest_ms, coalesce("
                " (SELECT value FROM on_time WHERE on_time.time_ms = newest_ms AND on_time.series = series.id),"
                " (SELECT value FROM late WHERE late.series = series.id AND late.time_ms = newest_ms))"
                " FROM site JOIN series ON series.site = site.id"
                " WHERE site.name = ? AND newest_ms IS NOT NULL ORDER BY channel",
                (site,),
            )
            found = {channel: (series, time_ms, value) for channel, series, time_ms, value in newest}
            silent = [(series, time_ms) for series, time_ms, value in found.values() if value is None]
            packed = values_at(self._connection, silent)
            values = {
                channel: packed.get((series, time_ms)) if value is None else value
                for channel, (series, time_ms, value) in found.items()
            }
            return {name: Reading(name, found[name][1], value) for name, value in values.items() if value is not None}

    def first(self, site: str) -> int | None:
        """The time of the site's oldest row; None where it has none."""
        with self._within("reading the oldest row", Access.READ):
            mine = "(SELECT series.id FROM series JOIN site ON site.id = series.site WHERE site.name = ?1)"
            oldest = [
                self._connection.execute(statement, (site,)).fetchone()
                for statement in (
                    f"SELECT time_ms FROM on_time WHERE series IN {mine} ORDER BY time_ms LIMIT 1",
                    f"SELECT min(time_ms) FROM late WHERE series IN {mine}",
                )
            ]
            times = [row[0] for row in oldest if row is not None]
            times.append(oldest_packed(self._connection, self._series_of(site, None)))
            return min((time_ms for time_ms in times if time_ms is not None), default=None)

    def sites(self) -> list[str]:
        """Every site that ever had a batch, in order of name."""
        with self._within("listing the sites", Access.READ):
            return [name for (name,) in self._connection.execute("SELECT name FROM site ORDER BY name")]

    def count(self, site: str) -> int:
        """How many rows the site has. Goes through them all: not for a loop."""
        with self._within("counting rows", Access.READ):
            mine = "(SELECT series.id FROM series JOIN site ON site.id = series.site WHERE site.name = ?1)"
            (rows,) = self._connection.execute(
                f"SELECT (SELECT count(*) FROM on_time WHERE series IN {mine})"
                f" + (SELECT count(*) FROM late WHERE series IN {mine})"
                f" + (SELECT coalesce(sum(rows), 0) FROM chunk WHERE series IN {mine})",
                (site,),
            ).fetchone()
            return int(rows)

    def week_bytes(self) -> int:
        """What the seven newest packed days take."""
        with self._within("reckoning the growth", Access.READ):
            (packed,) = self._connection.execute(
                "SELECT coalesce(sum(length(packed)), 0) FROM chunk WHERE day > (SELECT max(day) FROM chunk) - 7"
            ).fetchone()
            return int(packed)

    # Inside

    @contextmanager
    def _within(self, doing: str, access: Access) -> Iterator[None]:
        with self._lock, said(doing), transaction(self._connection, access):
            yield

    def _site(self, name: str) -> tuple[int, int | None]:
        """Number and watermark of a site, which is entered if it is new."""
        self._connection.execute("INSERT INTO site (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
        number, received_through_ms = self._connection.execute(
            "SELECT id, received_through_ms FROM site WHERE name = ?", (name,)
        ).fetchone()
        return number, received_through_ms

    def _move_watermark(self, site: int, received_ms: int) -> None:
        self._connection.execute("UPDATE site SET received_through_ms = ? WHERE id = ?", (received_ms, site))

    def _series_of(self, site: str, channels: Collection[str] | None) -> dict[int, str]:
        rows = self._connection.execute(
            "SELECT series.id, channel FROM series JOIN site ON site.id = series.site WHERE site.name = ?", (site,)
        )
        wanted = None if channels is None else frozenset(channels)
        return {number: channel for number, channel in rows if wanted is None or channel in wanted}

    def _numbers(self, site: int, channels: Iterable[str]) -> dict[str, int]:
        """The small number that stands for each channel in every row; new ones are entered."""
        self._connection.executemany(
            "INSERT INTO series (site, channel) VALUES (?, ?) ON CONFLICT DO NOTHING",
            [(site, channel) for channel in sorted(channels)],
        )
        return dict(self._connection.execute("SELECT channel, id FROM series WHERE site = ?", (site,)))

    def _store(self, site: int, readings: Sequence[Reading], received_ms: int, on_time_from_ms: int) -> Appended:
        """Insert rows received at one instant; those from on_time_from_ms up to the near future count as on time."""
        if not readings:
            return _NOTHING
        on_time_to_ms = received_ms + ON_TIME_MS
        channels = {reading.channel for reading in readings}
        numbers = self._numbers(site, channels)
        packed = self._packed(readings, {channel: numbers[channel] for channel in channels})
        newest: dict[int, int] = {}
        on_time: list[tuple[int, int, float]] = []
        late: list[tuple[int, int, float, int]] = []
        conflicting = 0
        # In order of the key, so that a file with one column after another is appended too and not strewn about;
        # the sort is stable, which leaves the first of two the first.
        for channel, time_ms, value in sorted(readings, key=itemgetter(1)):
            series = numbers[channel]
            if time_ms <= on_time_to_ms:
                newest[series] = time_ms
            if packed and (there := packed.get((series, time_ms))) is not None:
                conflicting += there != value
            elif on_time_from_ms <= time_ms <= on_time_to_ms:
                on_time.append((time_ms, series, float(value)))
            else:
                late.append((time_ms, series, float(value), received_ms))
        late.sort(key=itemgetter(1, 0))
        before = self._connection.total_changes
        self._connection.executemany(_INSERT_ON_TIME, on_time)
        self._connection.executemany(_INSERT_LATE, late)
        new = self._connection.total_changes - before
        self._connection.executemany(
            "UPDATE series SET newest_ms = ?1 WHERE id = ?2 AND coalesce(newest_ms < ?1, TRUE)",
            [(time_ms, series) for series, time_ms in newest.items()],
        )
        if new < len(on_time) + len(late):
            conflicting += sum(
                self._connection.execute(_STORED_VALUE, row[:2]).fetchone()[0] != row[2] for row in (*on_time, *late)
            )
        return Appended(new, len(readings) - new - conflicting, conflicting)

    def _packed(self, readings: Sequence[Reading], numbers: Mapping[str, int]) -> dict[tuple[int, int], float]:
        """The values, by series and time, of those readings that stand in packed days already."""
        days = packed_days(self._connection, numbers.values(), {day_of(reading.time_ms) for reading in readings})
        if not days:
            return {}
        keys = ((numbers[channel], time_ms) for channel, time_ms, _ in readings if day_of(time_ms) in days)
        return values_at(self._connection, keys)


def _not_before(before_ms: int | None, ms: int) -> int:
    return ms if before_ms is None else max(before_ms, ms)


def _sum(one: Appended, other: Appended) -> Appended:
    return Appended(one.new + other.new, one.same + other.same, one.conflicting + other.conflicting)


def _sewn(samples: Samples, seam: int) -> Samples:
    """Packed rows before the seam and others after it, in order of time. Not yet with known_ms."""
    times, values = samples.time_ms, samples.value
    if seam == len(times) or times[seam - 1] < times[seam]:
        return samples
    return Samples(*in_order(Columns(times[:seam], values[:seam]), Columns(times[seam:], values[seam:])))


def _merged(on_time: Samples, late: Iterable[tuple[int, float, int]]) -> Samples:
    rows = sorted([*zip(on_time.time_ms, on_time.value, on_time.known_ms, strict=True), *late])
    times, values, known = zip(*rows, strict=True)
    return Samples(array("q", times), array("d", values), array("q", known))
