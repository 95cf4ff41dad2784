"""The tables of the ledger, and how its database is opened.

Rule: columns hold what the domain's dataclasses hold, under the same names; structured fields are JSON text with
sorted keys. Whatever differs between database engines is in `open_engine`, nowhere else.
"""

from __future__ import annotations

import sqlite3
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Double,
    Engine,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    create_engine,
    event,
    make_url,
)
from sqlalchemy.pool import StaticPool

SCHEMA_VERSION = 1

BUSY_S = 30.0
"""How long a statement waits for another process's lock before it gives up."""

WRITING = "ledger_writing"
"""Execution option of a connection whose transaction will write."""

METADATA = MetaData()

# One of its kind on SQLite is INTEGER PRIMARY KEY; elsewhere 64 bits.
_NUMBER = BigInteger().with_variant(Integer, "sqlite")


def _site_column(**extra: Any) -> Column[str]:
    return Column("site", String, ForeignKey("site.id"), nullable=False, **extra)


def _ms(name: str, nullable: bool = False) -> Column[int]:
    return Column(name, BigInteger, nullable=nullable)


def _text(name: str, **extra: Any) -> Column[str]:
    return Column(name, Text, nullable=False, **extra)


meta = Table("meta", METADATA, Column("schema_version", Integer, nullable=False))

site = Table("site", METADATA, Column("id", String, primary_key=True), _ms("evaluated_until", nullable=True))

site_version = Table(
    "site_version",
    METADATA,
    Column("number", _NUMBER, primary_key=True, autoincrement=True),
    _site_column(index=True),
    _ms("valid_from_ms"),
    _ms("recorded_ms"),
    _text("text"),
)

event_log = Table(
    "event",
    METADATA,
    Column("number", _NUMBER, primary_key=True, autoincrement=True),
    _site_column(),
    _text("kind"),
    _text("subject"),
    _ms("at_ms"),
    _ms("received_ms"),
    _text("values"),
    Index("event_by_receipt", "site", "received_ms"),
    Index("event_by_kind", "site", "kind", "subject"),
    sqlite_autoincrement=True,  # a number is never given twice
)

# Files that events name by their sha256, once each however often they are named.
document = Table(
    "document",
    METADATA,
    Column("number", _NUMBER, primary_key=True, autoincrement=True),
    Column("sha256", String, nullable=False, unique=True),
    _text("media"),
    _ms("received_ms"),
    Column("content", LargeBinary, nullable=False),
)

alert = Table(
    "alert",
    METADATA,
    Column("id", String, primary_key=True),
    _site_column(),
    _text("finding"),
    _text("subject"),
    _text("state"),
    _ms("written_ms"),
    _ms("onset_ms"),
    _ms("onset_low_ms"),
    _ms("onset_high_ms"),
    _ms("opened_ms", nullable=True),
    _ms("cleared_ms", nullable=True),
    Column("closed_as", Text),
    _text("causes"),
    _ms("fault_ms"),
    _ms("ok_ms"),
    Column("loss_mwh", BigInteger, nullable=False),
    Column("loss_low_mwh", BigInteger, nullable=False),
    Column("loss_high_mwh", BigInteger, nullable=False),
    _text("evidence"),
    Index("alert_by_state", "site", "state", "cleared_ms"),
)

verdict_run = Table(
    "verdict_run",
    METADATA,
    _site_column(primary_key=True),
    Column("finding", String, primary_key=True),
    Column("subject", String, primary_key=True),
    Column("first_ms", BigInteger, primary_key=True),
    _ms("last_ms"),
    _text("verdict"),
    _text("code"),
    _text("causes"),
    Column("observed", Double),
    Column("expected", Double),
    _text("unit"),
    Column("loss_mwh", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

# Where each subject's newest run begins: to look for it among the runs of years would cost more every day.
newest_run = Table(
    "newest_run",
    METADATA,
    _site_column(primary_key=True),
    Column("finding", String, primary_key=True),
    Column("subject", String, primary_key=True),
    _ms("first_ms"),
    sqlite_with_rowid=False,
)

outbox = Table(
    "outbox",
    METADATA,
    Column("number", _NUMBER, primary_key=True, autoincrement=True),
    Column("id", String, nullable=False, unique=True),
    _site_column(index=True),
    _text("mail"),
    Column("attempts", Integer, nullable=False),
    _ms("next_try_ms"),
    _ms("sent_ms", nullable=True),
    _text("error"),
    Index("outbox_by_try", "sent_ms", "next_try_ms"),
)

settled_day = Table(
    "settled_day",
    METADATA,
    _site_column(primary_key=True),
    Column("day", String, primary_key=True),  # ISO date
    Column("revision", Integer, primary_key=True),
    _ms("settled_ms"),
    Column("generated_wh", Double),
    Column("metered_wh", Double),
    Column("expected_wh", Double),
    Column("coverage", Double, nullable=False),
    sqlite_with_rowid=False,
)

# What day detectors keep of a settled day: asked for once a judged day, by when it settled.
day_figure = Table(
    "day_figure",
    METADATA,
    _site_column(primary_key=True),
    Column("finding", String, primary_key=True),
    Column("subject", String, primary_key=True),
    Column("day", String, primary_key=True),  # ISO date
    Column("revision", Integer, primary_key=True),
    _ms("settled_ms"),
    _text("values"),
    Index("day_figure_by_settling", "site", "settled_ms"),
    sqlite_with_rowid=False,
)

day_sheet = Table(
    "day_sheet",
    METADATA,
    _site_column(primary_key=True),
    Column("day", String, primary_key=True),  # ISO date
    Column("revision", Integer, nullable=False),
    _ms("settled_ms"),
    Column("content", LargeBinary, nullable=False),
)

# Corrections learned for an inverter: the bytes of domain/model.py.
model = Table(
    "model",
    METADATA,
    _site_column(primary_key=True),
    Column("subject", String, primary_key=True),
    Column("made_ms", BigInteger, primary_key=True),
    Column("content", LargeBinary, nullable=False),
)

# Of a site whose ledger was lost and is made anew: mails decided up to here were told then (begin_again).
rebuilt = Table("rebuilt", METADATA, _site_column(primary_key=True), _ms("told_until_ms"), sqlite_with_rowid=False)


def open_engine(url: str) -> Engine:
    """An engine whose transactions are whole and durable. "sqlite://" is a ledger in memory, for one thread."""
    if make_url(url).get_backend_name() != "sqlite":
        return create_engine(url)
    if make_url(url).database in (None, "", ":memory:"):
        engine = create_engine(url, poolclass=StaticPool, connect_args={"check_same_thread": False})
    else:
        engine = create_engine(url, connect_args={"timeout": BUSY_S})

    @event.listens_for(engine, "connect")
    def settle(connection: sqlite3.Connection, _: object) -> None:
        connection.isolation_level = None  # transactions are begun below, not guessed by the driver
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # A writer takes its lock at the start: one that began by reading could find itself refused half-way.
        writing = connection.get_execution_options().get(WRITING, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine
