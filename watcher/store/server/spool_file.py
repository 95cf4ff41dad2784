"""The file behind the spool: its tables, and how it is opened.

Rule: as for the readings file: a file is either empty and gets the tables of this version, or it says which version it
is; another one is left alone.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from watcher.domain.errors import StoreError
from watcher.store.readings_file import Access, connected, transaction

SCHEMA_VERSION = 1

_TABLES = (
    "CREATE TABLE meta (schema_version INTEGER NOT NULL) STRICT",
    # compared: whether the server was asked what it had of the site before this file began; there_*: what it had
    """CREATE TABLE site (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE,
        received_through_ms INTEGER,
        compared INTEGER NOT NULL DEFAULT FALSE,
        there_first_ms INTEGER,
        there_last_ms INTEGER
    ) STRICT""",
    # first_ms, last_ms: of every row that ever passed here; newest: what of them did not lie ahead when it came
    """CREATE TABLE series (
        id INTEGER PRIMARY KEY,
        site INTEGER NOT NULL REFERENCES site (id),
        channel TEXT NOT NULL,
        first_ms INTEGER,
        last_ms INTEGER,
        newest_ms INTEGER,
        newest REAL,
        UNIQUE (site, channel)
    ) STRICT""",
    # A queue in order of arrival. Sending and proving move along it by ranges of id, so that neither rewrites a row:
    # on a memory card that is most of what would be written.
    # doubtful: 0 surely the first of its key; 1 the server must be asked; 2 likewise, unless it has nothing of the site
    """CREATE TABLE row (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        time_ms INTEGER NOT NULL,
        series INTEGER NOT NULL REFERENCES series (id),
        value REAL NOT NULL,
        received_ms INTEGER,
        doubtful INTEGER NOT NULL,
        tries INTEGER NOT NULL DEFAULT 0,
        UNIQUE (time_ms, series)
    ) STRICT""",
    # What the server said it had: the rows first..last, and since when it has been seen to have them.
    """CREATE TABLE flight (
        first INTEGER PRIMARY KEY,
        last INTEGER NOT NULL,
        sent_ms INTEGER NOT NULL,
        proven_ms INTEGER
    ) STRICT""",
    """CREATE TABLE refused (
        time_ms INTEGER NOT NULL,
        series INTEGER NOT NULL REFERENCES series (id),
        value REAL NOT NULL,
        received_ms INTEGER,
        why TEXT NOT NULL,
        PRIMARY KEY (time_ms, series)
    ) STRICT, WITHOUT ROWID""",
    # One line for each channel and instant of receipt, for good: a few bytes that spare the server a search through
    # all of a site's late rows each time a span is cut.
    """CREATE TABLE late (
        series INTEGER NOT NULL REFERENCES series (id),
        received_ms INTEGER NOT NULL,
        first_ms INTEGER NOT NULL,
        last_ms INTEGER NOT NULL,
        PRIMARY KEY (series, received_ms)
    ) STRICT, WITHOUT ROWID""",
    """CREATE VIEW held AS
        SELECT time_ms, series, value, received_ms,
            doubtful > 0 AND id > coalesce((SELECT last FROM flight ORDER BY first DESC LIMIT 1), 0) AS doubtful
            FROM row
        UNION ALL SELECT time_ms, series, value, received_ms, FALSE FROM refused""",
)


def open_spool(path: str | Path, access: Access) -> sqlite3.Connection:
    """A connection with every setting made and the tables there. StoreError where that cannot be."""
    return connected(path, access, _settle_tables)


def _settle_tables(connection: sqlite3.Connection, path: str, access: Access) -> None:
    with transaction(connection, access):
        there = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
        if not there and access is Access.WRITE:
            for statement in _TABLES:
                connection.execute(statement)
            connection.execute("INSERT INTO meta VALUES (?)", (SCHEMA_VERSION,))
            return
        if not {"meta", "flight"} <= there:
            raise StoreError(f"{path} is a database, but no spool of readings")
        (version,) = connection.execute("SELECT max(schema_version) FROM meta").fetchone()
        if version != SCHEMA_VERSION:
            raise StoreError(
                f"{path} has the tables of version {version}, this program knows version {SCHEMA_VERSION}: "
                "use the newer program, or restore a copy from before the update"
            )
