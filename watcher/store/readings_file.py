"""The file behind the readings store: its tables, its settings, and how it is opened.

Rule: a file is either empty and gets the tables of this version, or it says which version it is; a newer one
is left alone. Every error of the engine leaves here as a StoreError that says what was being done.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path

from watcher.domain.errors import StoreError

SCHEMA_VERSION = 1

BUSY_S = 30.0
"""How long a statement waits for another process's lock before it gives up."""

MEMORY = ":memory:"

# Time first, so that a minute's rows of all channels are neighbours: an append dirties one or two pages instead
# of one for each channel, which on a memory card is four times less written in a day. A column of whole numbers
# costs no more as REAL: the engine writes them as integers and gives them back as floats.
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
)


class Access(StrEnum):
    WRITE = "write"
    READ = "read"


def open_file(path: str | Path, access: Access) -> sqlite3.Connection:
    """A connection with every setting made and the tables there. StoreError where that cannot be.

    A reader must find the file: it creates nothing and can change nothing.
    """
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
            _settle_tables(connection, str(path), access)
        except BaseException:
            connection.close()
            raise
    return connection


def _settle_tables(connection: sqlite3.Connection, path: str, access: Access) -> None:
    with transaction(connection, access):
        there = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
        if not there and access is Access.WRITE:
            for statement in _TABLES:
                connection.execute(statement)
            connection.execute("INSERT INTO meta VALUES (?)", (SCHEMA_VERSION,))
            return
        if not {"meta", "on_time"} <= there:
            raise StoreError(f"{path} is a database, but no readings store")
        (version,) = connection.execute("SELECT max(schema_version) FROM meta").fetchone()
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
        raise StoreError(f"readings store: {doing} failed: {error}") from error
