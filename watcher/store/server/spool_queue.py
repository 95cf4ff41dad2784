"""The way of a row through the spool: waiting, sent, proven, forgotten; or refused.

Rule: what the server says it has is believed only once it has given it back. Until then, and for RECENT_MS after, a row
stays, so that duplicates meet it here and reads do not depend on what the server is behind with.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from watcher.domain.instant import DAY_MS, MINUTE_MS
from watcher.store.readings_file import Access
from watcher.store.server.columns import Known
from watcher.store.server.lines import Row
from watcher.store.server.spool import Spool

HOLD_MS = MINUTE_MS
"""How long after its word a server is asked for the rows. VictoriaMetrics was measured to lose what it took in the last
ten seconds before it is killed, and to show a new series up to eight seconds late."""

RECENT_MS = DAY_MS
MOST_TRIES = 3
"""How often a row is sent that is not given back before it counts as refused."""

_ROW = (
    "SELECT row.id, site.name, channel, time_ms, value, received_ms,"
    " doubtful = 1 OR (doubtful = 2 AND coalesce(time_ms BETWEEN there_first_ms AND there_last_ms, FALSE))"
    " FROM row JOIN series ON series.id = row.series JOIN site ON site.id = series.site"
)
_SENT_TO = "coalesce((SELECT last FROM flight ORDER BY first DESC LIMIT 1), 0)"


class Flight(NamedTuple):
    """Rows that were sent together: those of the queue from first to last that are still there."""

    first: int
    last: int


class Queue:
    """The sending side of a spool; one sender at a time."""

    def __init__(self, spool: Spool) -> None:
        self._spool = spool

    def waiting(self) -> int:
        """How many rows were never sent, or must be sent again."""
        return self._count(f"SELECT count(*) FROM row WHERE id > {_SENT_TO}")

    def more(self) -> bool:
        """Whether any waits."""
        return self._count(f"SELECT EXISTS (SELECT 1 FROM row WHERE id > {_SENT_TO})") > 0

    def refused(self) -> int:
        """How many rows the server would not have. They are read from here."""
        return self._count("SELECT count(*) FROM refused")

    def why_refused(self) -> str:
        """What was said of one of them; "" where there is none."""
        with self._spool.within("reading the refused rows", Access.READ) as connection:
            row = connection.execute("SELECT why FROM refused LIMIT 1").fetchone()
            return "" if row is None else str(row[0])

    def next_rows(self, limit: int) -> list[Row]:
        """The rows that wait longest."""
        return self._rows(f"{_ROW} WHERE row.id > {_SENT_TO} ORDER BY row.id LIMIT ?", (limit,))

    def drop_known(self, known: Mapping[int, Known]) -> None:
        """Take out rows that the server had before. What it has counts as what the spool had."""
        with self._spool.within("dropping rows that are there", Access.WRITE) as connection:
            connection.executemany(
                "UPDATE series SET newest = ?1 FROM row WHERE row.id = ?2 AND series.id = row.series"
                " AND series.newest_ms = row.time_ms",
                [(one.value, id) for id, one in known.items()],
            )
            connection.executemany("DELETE FROM row WHERE id = ?", [(id,) for id in known])

    def sent(self, rows: Sequence[Row], refused: Mapping[int, str], now_ms: int) -> None:
        """The server said it had these rows, all but the refused."""
        with self._spool.within("noting what was sent", Access.WRITE) as connection:
            _refuse(connection, refused)
            connection.execute(
                "INSERT INTO flight (first, last, sent_ms) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
                (rows[0].id, rows[-1].id, now_ms),
            )

    def due(self, now_ms: int, limit: int) -> list[tuple[Flight, list[Row]]]:
        """Flights old enough to be proven, oldest first, until they hold `limit` rows."""
        with self._spool.within("looking for what to prove", Access.READ) as connection:
            found = connection.execute(
                "SELECT first, last FROM flight WHERE proven_ms IS NULL AND sent_ms <= ? ORDER BY first",
                (now_ms - HOLD_MS,),
            ).fetchall()
        due: list[tuple[Flight, list[Row]]] = []
        for first, last in found:
            rows = self._rows(f"{_ROW} WHERE row.id BETWEEN ? AND ? ORDER BY row.id", (first, last))
            due.append((Flight(first, last), rows))
            limit -= len(rows)
            if limit <= 0:
                break
        return due

    def proven(self, flights: Iterable[Flight], missing: Mapping[int, str], now_ms: int) -> tuple[int, int]:
        """The server gave the flights' rows back, all but the missing ones (and what is wrong with each).

        Those are sent again, or refused after MOST_TRIES. How many of each.
        """
        with self._spool.within("noting what is proven", Access.WRITE) as connection:
            connection.executemany(
                "UPDATE flight SET proven_ms = ? WHERE first = ?", [(now_ms, f.first) for f in flights]
            )
            again = 0
            refused: dict[int, str] = {}
            for id, why in missing.items():
                row = connection.execute(
                    "DELETE FROM row WHERE id = ? AND tries < ? RETURNING time_ms, series, value, received_ms, tries",
                    (id, MOST_TRIES - 1),
                ).fetchone()
                if row is None:
                    refused[id] = why
                else:
                    # A new place at the end of the queue. Nothing is doubtful about it any more: it was sent.
                    connection.execute(
                        "INSERT INTO row (time_ms, series, value, received_ms, doubtful, tries)"
                        " VALUES (?, ?, ?, ?, 0, ? + 1)",
                        row,
                    )
                    again += 1
            _refuse(connection, refused)
        return again, len(refused)

    def forget(self, now_ms: int) -> None:
        """Let go of what was proven long enough ago."""
        old = "FROM flight WHERE proven_ms <= ?"
        with self._spool.within("forgetting what is proven", Access.WRITE) as connection:
            ranges = connection.execute(f"SELECT first, last {old}", (now_ms - RECENT_MS,)).fetchall()
            connection.executemany("DELETE FROM row WHERE id BETWEEN ? AND ?", ranges)
            connection.executemany("DELETE FROM flight WHERE first = ? AND last = ?", ranges)

    def try_refused_again(self) -> None:
        """Put refused rows back into the queue: a server may have been set right, or a forecast's time have come."""
        with self._spool.within("queueing refused rows again", Access.WRITE) as connection:
            connection.execute(
                "INSERT INTO row (time_ms, series, value, received_ms, doubtful)"
                " SELECT time_ms, series, value, received_ms, 0 FROM refused"
            )
            connection.execute("DELETE FROM refused")

    def tidy(self) -> None:
        """Fold the write-ahead log into the file."""
        with self._spool.alone("nightly upkeep") as connection:
            connection.execute("PRAGMA optimize").fetchall()
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    # What the server had before this spool began

    def uncompared(self) -> list[str]:
        with self._spool.within("looking for new sites", Access.READ) as connection:
            return [name for (name,) in connection.execute("SELECT name FROM site WHERE NOT compared ORDER BY name")]

    def compared(self, site: str, there: There | None) -> None:
        """The server was asked what it has of a site; None: nothing."""
        with self._spool.within("noting what the server has", Access.WRITE) as connection:
            (number,) = connection.execute("SELECT id FROM site WHERE name = ?", (site,)).fetchone()
            if there is not None:
                connection.executemany(
                    "INSERT INTO series (site, channel) VALUES (?, ?) ON CONFLICT DO NOTHING",
                    [(number, channel) for channel in there.channels()],
                )
                connection.executemany(
                    "UPDATE series SET newest_ms = ?1, newest = ?2"
                    " WHERE site = ?3 AND channel = ?4 AND coalesce(newest_ms < ?1, TRUE)",
                    [(time_ms, value, number, channel) for channel, (time_ms, value) in there.newest.items()],
                )
                connection.executemany(
                    "INSERT INTO late SELECT id, ?1, ?2, ?3 FROM series WHERE site = ?4 AND channel = ?5"
                    " ON CONFLICT DO UPDATE SET first_ms = min(first_ms, excluded.first_ms),"
                    " last_ms = max(last_ms, excluded.last_ms)",
                    [
                        (received_ms, first_ms, last_ms, number, channel)
                        for (channel, received_ms), (first_ms, last_ms) in there.late.items()
                    ],
                )
            bounds = (None, None) if there is None else (there.first_ms, there.last_ms)
            connection.execute(
                "UPDATE site SET compared = TRUE, there_first_ms = ?, there_last_ms = ? WHERE id = ?",
                (*bounds, number),
            )

    # Inside

    def _rows(self, statement: str, parameters: tuple[int, ...]) -> list[Row]:
        with self._spool.within("reading the queue", Access.READ) as connection:
            return [
                Row(id, site, channel, time_ms, value, received_ms, bool(doubtful))
                for id, site, channel, time_ms, value, received_ms, doubtful in connection.execute(
                    statement, parameters
                )
            ]

    def _count(self, statement: str) -> int:
        with self._spool.within("counting rows", Access.READ) as connection:
            return int(connection.execute(statement).fetchone()[0])


class There(NamedTuple):
    """What a server has of a site.

    newest: by channel, time and value. late: by channel and receipt, between which times its rows lie
    """

    first_ms: int
    last_ms: int
    newest: Mapping[str, tuple[int, float]]
    late: Mapping[tuple[str, int], tuple[int, int]]

    def channels(self) -> set[str]:
        return {*self.newest, *(channel for channel, _ in self.late)}


def _refuse(connection: sqlite3.Connection, refused: Mapping[int, str]) -> None:
    for id, why in refused.items():
        connection.execute(
            "INSERT INTO refused SELECT time_ms, series, value, received_ms, ? FROM row WHERE id = ?", (why, id)
        )
        connection.execute("DELETE FROM row WHERE id = ?", (id,))
