"""Closed days of the readings file: rows of the hot table packed into one chunk a series and day, and read back.

Rule: a row stands in one place, the hot table, the side table or a chunk; whatever moves it is one transaction. Late
rows stay in the side table, with the instant they were received; only rows that came on time are packed. Days are
those of UTC, numbered from 1970. The functions here work inside a transaction the store has begun.
"""

from __future__ import annotations

import sqlite3
from array import array
from collections.abc import Collection, Iterable, Iterator

from watcher.domain.instant import DAY_MS
from watcher.domain.reading import Samples
from watcher.store.readings_chunk import Columns, pack, unpack
from watcher.store.trouble import StoreDamaged

CLOSED_DAYS = 2
"""A day is packed once it is over for this long: by then what comes late has mostly come."""


def day_of(time_ms: int) -> int:
    return time_ms // DAY_MS


def pack_oldest_day(connection: sqlite3.Connection, before_day: int) -> int | None:
    """Pack the oldest day that has hot rows and lies before a day; how many rows that were, None where there is none.

    Rows of a day that was packed before (an import of old tables) join its chunk.
    """
    oldest = connection.execute("SELECT time_ms FROM on_time ORDER BY time_ms LIMIT 1").fetchone()
    if oldest is None or day_of(oldest[0]) >= before_day:
        return None
    day = day_of(oldest[0])
    bounds = (day * DAY_MS, (day + 1) * DAY_MS)
    columns: dict[int, Columns] = {}
    rows = 0
    for time_ms, series, value in connection.execute(
        "SELECT time_ms, series, value FROM on_time WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms", bounds
    ):
        column = columns.get(series)
        if column is None:
            column = columns[series] = Columns(array("q"), array("d"))
        column.time_ms.append(time_ms)
        column.value.append(value)
        rows += 1
    for series, before in _of_day(connection, day, columns):
        columns[series] = in_order(before, columns[series])
    connection.executemany(
        "INSERT INTO chunk (series, day, rows, packed) VALUES (?1, ?2, ?3, ?4)"
        " ON CONFLICT (series, day) DO UPDATE SET rows = ?3, packed = ?4",
        [(series, day, len(column.time_ms), pack(column)) for series, column in columns.items()],
    )
    connection.execute("DELETE FROM on_time WHERE time_ms >= ? AND time_ms < ?", bounds)
    return rows


def columns_between(
    connection: sqlite3.Connection, series: Collection[int], start_ms: int, end_ms: int
) -> dict[int, Samples]:
    """The packed rows with start_ms <= time < end_ms of each series that has any, in order of time."""
    days: dict[int, list[Columns]] = {}
    for number, day, packed in connection.execute(
        f"SELECT series, day, packed FROM chunk WHERE series IN ({_listed(series)}) AND day >= ? AND day <= ?"
        " ORDER BY series, day",
        (day_of(start_ms), day_of(end_ms - 1)),
    ):
        times, values = _read(packed, number, day)
        if times[0] < start_ms or times[-1] >= end_ms:
            inside = [place for place, time_ms in enumerate(times) if start_ms <= time_ms < end_ms]
            if not inside:
                continue
            times, values = times[inside[0] : inside[-1] + 1], values[inside[0] : inside[-1] + 1]
        days.setdefault(number, []).append(Columns(times, values))
    # Joined as bytes, at once: to lengthen an array day by day would copy a year many times.
    return {
        number: Samples(
            array("q", b"".join(columns.time_ms for columns in parts)),
            array("d", b"".join(columns.value for columns in parts)),
        )
        for number, parts in days.items()
    }


def values_at(connection: sqlite3.Connection, keys: Iterable[tuple[int, int]]) -> dict[tuple[int, int], float]:
    """The value of each (series, time) that stands in a chunk."""
    wanted: dict[int, dict[int, set[int]]] = {}
    for series, time_ms in keys:
        wanted.setdefault(day_of(time_ms), {}).setdefault(series, set()).add(time_ms)
    found: dict[tuple[int, int], float] = {}
    for day, times_of in wanted.items():
        for series, columns in _of_day(connection, day, times_of):
            for time_ms, value in zip(*columns, strict=True):
                if time_ms in times_of[series]:
                    found[series, time_ms] = value
    return found


def packed_days(connection: sqlite3.Connection, series: Collection[int], days: Collection[int]) -> set[int]:
    """Those of the days that have a chunk of any of the series."""
    return {
        day
        for (day,) in connection.execute(
            f"SELECT DISTINCT day FROM chunk WHERE series IN ({_listed(series)}) AND day IN ({_listed(days)})"
        )
    }


def oldest_packed(connection: sqlite3.Connection, series: Collection[int]) -> int | None:
    """The time of the oldest packed row of some series."""
    (day,) = connection.execute(f"SELECT min(day) FROM chunk WHERE series IN ({_listed(series)})").fetchone()
    if day is None:
        return None
    return min(columns.time_ms[0] for _, columns in _of_day(connection, day, series))


def drop_before(connection: sqlite3.Connection, day: int) -> int:
    """Remove every row older than a day, wherever it stands; how many that were."""
    before_ms = (day * DAY_MS,)
    (packed,) = connection.execute("SELECT coalesce(sum(rows), 0) FROM chunk WHERE day < ?", (day,)).fetchone()
    connection.execute("DELETE FROM chunk WHERE day < ?", (day,))
    loose = [
        connection.execute(f"DELETE FROM {table} WHERE time_ms < ?", before_ms).rowcount
        for table in ("on_time", "late")
    ]
    # A channel silent for that long has no newest reading any more.
    connection.execute("UPDATE series SET newest_ms = NULL WHERE newest_ms < ?", before_ms)
    return int(packed) + sum(loose)


def in_order(one: Columns, other: Columns) -> Columns:
    """Two sets of columns as one, in order of time."""
    rows = sorted([*zip(*one, strict=True), *zip(*other, strict=True)])
    times, values = zip(*rows, strict=True)
    return Columns(array("q", times), array("d", values))


def _of_day(connection: sqlite3.Connection, day: int, series: Iterable[int]) -> Iterator[tuple[int, Columns]]:
    for number, packed in connection.execute(
        f"SELECT series, packed FROM chunk WHERE day = ? AND series IN ({_listed(series)})", (day,)
    ).fetchall():
        yield number, _read(packed, number, day)


def _read(packed: bytes, series: int, day: int) -> Columns:
    try:
        return unpack(packed)
    except ValueError as error:
        raise StoreDamaged(f"readings store: day {day} of series {series}: {error}") from error


def _listed(numbers: Iterable[int]) -> str:
    return ",".join(map(str, numbers))
