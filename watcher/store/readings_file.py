"""The file behind the readings store: its tables, its settings, and how it is opened.

Rule: a file is either empty and gets the tables of this version, or it says which version it is; an older one is
brought up to date by its writer, a newer one is left alone. Every error of the engine leaves here as a StoreError
that says what was being done.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path

from watcher.domain.errors import StoreError
from watcher.store.trouble import StoreDamaged, store_error

SCHEMA_VERSION = 2

BUSY_S = 30.0
"""How long a statement waits for another process's lock before it gives up."""

MEMORY = ":memory:"

# Time first, so that a minute's rows of all channels are neighbours: an append dirties one or two pages instead
# of one for each channel, which on a memory card is four times less written in a day. A column of whole numbers
# costs no more as REAL: the engine writes them as integers and gives them back as floats.
# A chunk is looked for by series and day and holds about a kilobyte, so it stands in a table with row numbers, in the
# order the days were packed, and its key in an index beside it.
_CHUNK_TABLE = """CREATE TABLE chunk (
        id INTEGER PRIMARY KEY,
        series INTEGER NOT NULL REFERENCES series (id),
        day INTEGER NOT NULL,
        rows INTEGER NOT NULL,
        packed BLOB NOT NULL,
        UNIQUE (series, day)
    ) STRICT"""

_TABLES = (
    "CREATE TABLE meta (schema_version INTEGER NOT NULL) STRICT",
    """CREATE TABLE site (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE,
        received_through_ms INTEGER
    ) STRICT""",
    # newest_ms is kept here because the rows, being time-first, cannot be asked for it.
    """CREATE TABLE series (
        id INTEGER PRIMARY KEY,
        site INTEGER NOT NULL REFERENCES site (id),
        channel TEXT NOT NULL,
        newest_ms INTEGER,
        UNIQUE (site, channel)
    ) STRICT""",
    """CREATE TABLE on_time (
        time_ms INTEGER NOT NULL,
        series INTEGER NOT NULL,
        value REAL NOT NULL,
        PRIMARY KEY (time_ms, series)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE late (
        series INTEGER NOT NULL,
        time_ms INTEGER NOT NULL,
        received_ms INTEGER NOT NULL,
        value REAL NOT NULL,
        PRIMARY KEY (series, time_ms)
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX late_by_receipt ON late (series, received_ms)",
    _CHUNK_TABLE,
)

_STEPS = {1: (_CHUNK_TABLE,)}
"""What makes a file of a version one of the next."""


class Access(StrEnum):
    WRITE = "write"
    READ = "read"


def open_file(path: str | Path, access: Access) -> sqlite3.Connection:
    """A connection with every setting made and the tables there. StoreError where that cannot be.

    A reader must find the file: it creates nothing and can change nothing.
    """
    return connected(path, access, _settle_tables)


def connected(
    path: str | Path, access: Access, settle: Callable[[sqlite3.Connection, str, Access], None]
) -> sqlite3.Connection:
    """A connection to any of our files with every setting made; settle puts the tables there, or finds them wrong."""
    with said(f"opening {path}"):
        if access is Access.READ:
            # Not mode=ro: the first to open the file after a crash has to bring its write-ahead log in order.
            place, uri = f"{Path(path).absolute().as_uri()}?mode=rw", True
        else:
            place, uri = str(path), False
        connection = sqlite3.connect(place, BUSY_S, isolation_level=None, check_same_thread=False, uri=uri)
        try:
            if access is Access.READ:
                connection.execute("PRAGMA query_only = ON")
            else:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
                connection.execute("PRAGMA foreign_keys = ON")
            settle(connection, str(path), access)
        except BaseException:
            connection.close()
            raise
    return connection


def _settle_tables(connection: sqlite3.Connection, path: str, access: Access) -> None:
    with transaction(connection, access):
        there = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
        new = not there and access is Access.WRITE
        if new:
            for statement in _TABLES:
                connection.execute(statement)
            connection.execute("INSERT INTO meta VALUES (?)", (SCHEMA_VERSION,))
        elif not {"meta", "on_time"} <= there:
            raise StoreError(f"{path} is a database, but no readings store")
        else:
            _bring_up_to_date(connection, path, access)
    if new:
        # Out of the log at once: a log torn in the first hours of a store's life must not take the tables with it.
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def _bring_up_to_date(connection: sqlite3.Connection, path: str, access: Access) -> None:
    (version,) = connection.execute("SELECT max(schema_version) FROM meta").fetchone()
    if version is None:
        raise StoreDamaged(f"{path} does not say which version its tables are of")
    if version < SCHEMA_VERSION and access is Access.READ:
        raise StoreError(f"{path} has the tables of version {version}: the daemon brings them up to date as it starts")
    while version in _STEPS:
        for statement in _STEPS[version]:
            connection.execute(statement)
        version += 1
        connection.execute("UPDATE meta SET schema_version = ?", (version,))
    if version != SCHEMA_VERSION:
        raise StoreError(
            f"{path} has the tables of version {version}, this program knows version {SCHEMA_VERSION}: "
            "use the newer program, or restore a copy from before the update"
        )


@contextmanager
def transaction(connection: sqlite3.Connection, access: Access) -> Iterator[None]:
    """All or nothing, and one unchanging view of the file.

    A writer takes its lock at the start: one that began by reading could find itself refused half-way.
    """
    connection.execute("BEGIN IMMEDIATE" if access is Access.WRITE else "BEGIN")
    try:
        yield
        connection.execute("COMMIT")
    finally:
        # A full disk ends the transaction by itself; anything else is undone here.
        if connection.in_transaction:
            connection.execute("ROLLBACK")


@contextmanager
def said(doing: str) -> Iterator[None]:
    """Turn an error of the engine into one that says what was being done."""
    try:
        yield
    except sqlite3.Error as error:
        raise store_error(f"readings store: {doing} failed: {error}", error) from error
