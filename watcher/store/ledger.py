"""The ledger: what was said about a site, what was judged, and the mails that follow from it.

Rule: progress commits with its consequences. Verdict runs, alert changes, mails, settled days and
`evaluated_until` are one transaction, and nothing may enter the past of a point already judged.

Every method is one transaction of its own. A ledger in a file may be open in several threads and processes.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import Any, Self, cast

from sqlalchemy import Connection, Select, func, insert, inspect, make_url, select, update
from sqlalchemy import delete as delete_from
from sqlalchemy.exc import SQLAlchemyError

from watcher.domain.alert import Alert, AlertState, Mail
from watcher.domain.day import DayFigure, DaySheet, SettledDay
from watcher.domain.errors import StoreError
from watcher.domain.evaluation import Evaluation
from watcher.domain.event import Document, Draft, Event, EventKind
from watcher.domain.finding import VerdictRun
from watcher.domain.instant import GRACE_MS
from watcher.domain.model import Model
from watcher.store import ledger_rows as rows
from watcher.store import ledger_tables as t
from watcher.store.ledger_commit import (
    Superseded,
    advance,
    first,
    lock_site,
    newest_runs,
    put_alert,
    put_document,
    put_mail,
    put_runs,
    put_sheet,
)
from watcher.store.trouble import store_error

__all__ = ["Ledger", "OutboxRow", "Superseded"]


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """A mail that waits. attempts: how often sending it has failed."""

    id: str
    mail: Mail
    attempts: int


class Ledger:
    """One ledger for any number of sites."""

    def __init__(self, url: str) -> None:
        """Open or create it. url: "sqlite:////var/lib/watcher/ledger.db"; "sqlite://" lives in memory.

        StoreError where it cannot be opened or was written by a newer program.
        """
        with self._said("opening"):
            self._name = make_url(url).render_as_string(hide_password=True)
            self._engine = t.open_engine(url)
        try:
            self._settle_tables()
        except BaseException:
            self._engine.dispose()
            raise

    def close(self) -> None:
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # What is said about a site

    def put_version(self, site: str, text: str, now_ms: int) -> bool:
        """Record the text of a site's file where it differs from the newest; whether it did (a new site's does).

        The first version holds since the beginning of time, a later one from now, yet after the last point judged.
        """
        with self._writing("recording a site") as connection:
            until_ms = lock_site(connection, site)
            newest = first(
                connection,
                select(t.site_version).where(t.site_version.c.site == site).order_by(t.site_version.c.number.desc()),
            )
            if newest is not None and newest["text"] == text:
                return False
            valid_from_ms = 0
            if newest is not None:
                valid_from_ms = max(now_ms, newest["valid_from_ms"])
                if until_ms is not None:
                    valid_from_ms = max(valid_from_ms, until_ms + 1)
            connection.execute(
                insert(t.site_version).values(site=site, valid_from_ms=valid_from_ms, recorded_ms=now_ms, text=text)
            )
            return True

    def versions(self, site: str) -> list[tuple[int, str]]:
        """(valid_from_ms, text) in order; of two that begin together the later holds."""
        found = self._all(
            "reading site versions",
            select(t.site_version).where(t.site_version.c.site == site).order_by(t.site_version.c.number),
        )
        return [(row["valid_from_ms"], row["text"]) for row in found]

    def add_event(
        self, site: str, kind: EventKind, subject: str, at_ms: int, values: Mapping[str, str | float], now_ms: int
    ) -> Event:
        """Append to the log. The event is visible from the first point not yet judged, whatever the clock says."""
        return self.add_events(site, (Draft(kind, subject, at_ms, values),), now_ms)[0]

    def add_events(
        self, site: str, drafts: Sequence[Draft], now_ms: int, documents: Sequence[Document] = ()
    ) -> list[Event]:
        """Append several to the log, received together, with the documents that they name: all or none."""
        with self._writing("recording an event") as connection:
            until_ms = lock_site(connection, site)
            newest_ms = connection.scalar(select(func.max(t.event_log.c.received_ms)).where(t.event_log.c.site == site))
            bounds = [now_ms]
            bounds += [] if until_ms is None else [until_ms + GRACE_MS]
            bounds += [] if newest_ms is None else [newest_ms]
            events = [Event(site, one.kind, one.subject, one.at_ms, max(bounds), dict(one.values)) for one in drafts]
            for document in documents:
                put_document(connection, document, now_ms)
            if events:
                connection.execute(insert(t.event_log), [rows.event_to_row(event) for event in events])
            return events

    def document(self, sha256: str) -> Document | None:
        found = self._all("reading a document", select(t.document).where(t.document.c.sha256 == sha256))
        return Document(sha256, found[0]["media"], found[0]["content"]) if found else None

    def events(self, site: str, received_before_ms: int) -> tuple[list[Event], int]:
        """Events received before an instant, in order of receipt, and the number of the newest of them (0: none)."""
        log = t.event_log.c
        found = self._all(
            "reading events",
            select(t.event_log).where(log.site == site, log.received_ms < received_before_ms).order_by(log.number),
        )
        return [rows.event_from_row(row) for row in found], max((row["number"] for row in found), default=0)

    def identity(self, site: str, device: str) -> Mapping[str, str | float] | None:
        """What a device last said of itself; None for one that never did."""
        log = t.event_log.c
        found = self._all(
            "reading an identity",
            select(t.event_log)
            .where(log.site == site, log.kind == str(EventKind.IDENTITY), log.subject == device)
            .order_by(log.number.desc())
            .limit(1),
        )
        return rows.event_from_row(found[0]).values if found else None

    def copy_said(self, other: Ledger, site: str) -> None:
        """Take over what was said about a site elsewhere, its files and events with their instants; for a replay."""
        versions = other._all("reading site versions", select(t.site_version).where(t.site_version.c.site == site))
        events = other._all("reading events", select(t.event_log).where(t.event_log.c.site == site))
        with self._writing("taking over what was said") as connection:
            lock_site(connection, site)
            for table, found in ((t.site_version, versions), (t.event_log, events)):
                if found:
                    connection.execute(insert(table), [dict(row) for row in found])

    # What was judged

    def commit(self, evaluation: Evaluation, previous_until_ms: int | None) -> None:
        """Put down an evaluation whole.

        previous_until_ms: evaluated_until as it was when the evaluation began, None for a site never evaluated.
        Superseded where it is no longer so, or where an event the evaluation did not see belongs to its points.
        ValueError for an evaluation that goes back over points already judged.
        """
        if previous_until_ms is not None and evaluation.last_ms <= previous_until_ms:
            raise ValueError(f"{evaluation.site}: {evaluation.last_ms} is judged already, up to {previous_until_ms}")
        with self._writing("committing an evaluation") as connection:
            advance(connection, evaluation, previous_until_ms)
            put_runs(connection, evaluation.site, evaluation.runs)
            for alert in evaluation.alerts:
                put_alert(connection, alert)
            for id in evaluation.dropped:
                connection.execute(delete_from(t.alert).where(t.alert.c.id == id, t.alert.c.site == evaluation.site))
            for mail in evaluation.mails:
                put_mail(connection, mail)
            if evaluation.days:
                connection.execute(insert(t.settled_day), [rows.day_to_row(day) for day in evaluation.days])
            for sheet in evaluation.sheets:
                put_sheet(connection, evaluation.site, sheet)
            if evaluation.models:
                learned = [rows.model_to_row(evaluation.site, model) for model in evaluation.models]
                connection.execute(insert(t.model), learned)
            if evaluation.figures:
                kept = [rows.figure_to_row(evaluation.site, figure) for figure in evaluation.figures]
                connection.execute(insert(t.day_figure), kept)

    def sites(self) -> list[str]:
        """Every site anything is written about, in order of name."""
        return [row["id"] for row in self._all("listing sites", select(t.site.c.id).order_by(t.site.c.id))]

    def evaluated_until(self, site: str) -> int | None:
        """The last grid point judged; None for a site never evaluated."""
        found = self._all("reading a site", select(t.site).where(t.site.c.id == site))
        return found[0]["evaluated_until"] if found else None

    def standing_alerts(self, site: str) -> list[Alert]:
        """Suspected and open ones, oldest first."""
        standing = [str(AlertState.SUSPECTED), str(AlertState.OPEN)]
        return self._alerts(select(t.alert).where(t.alert.c.site == site, t.alert.c.state.in_(standing)))

    def standing_everywhere(self) -> list[Alert]:
        """Suspected and open ones of all sites, oldest first."""
        return self._alerts(select(t.alert).where(t.alert.c.state != str(AlertState.CLEARED)))

    def judged_through(self) -> dict[str, int]:
        """The last grid point judged, of each site that was."""
        found = self._all("reading sites", select(t.site).where(t.site.c.evaluated_until.is_not(None)))
        return {row["id"]: row["evaluated_until"] for row in found}

    def recent_cleared(self, site: str, since_ms: int) -> list[Alert]:
        """Those cleared at or after an instant, oldest first."""
        cleared = t.alert.c.state == str(AlertState.CLEARED)
        return self._alerts(select(t.alert).where(t.alert.c.site == site, cleared, t.alert.c.cleared_ms >= since_ms))

    def alerts(self, site: str) -> list[Alert]:
        """All there ever were, oldest first."""
        return self._alerts(select(t.alert).where(t.alert.c.site == site))

    def last_runs(self, site: str) -> list[VerdictRun]:
        """The newest run of each finding and subject, in their order."""
        return [rows.run_from_row(row) for row in self._all("reading the newest runs", newest_runs(site))]

    def runs(self, site: str, since_ms: int | None = None, until_ms: int | None = None) -> list[VerdictRun]:
        """Runs with a grid point in since_ms <= point < until_ms, whole, in order of their first; None: no bound."""
        run = t.verdict_run.c
        wanted = select(t.verdict_run).where(run.site == site).order_by(run.first_ms, run.finding, run.subject)
        if since_ms is not None:
            wanted = wanted.where(run.last_ms >= since_ms)
        if until_ms is not None:
            wanted = wanted.where(run.first_ms < until_ms)
        return [rows.run_from_row(row) for row in self._all("reading runs", wanted)]

    def days(self, site: str) -> list[SettledDay]:
        """The newest revision of each settled day, in order."""
        found = self._all(
            "reading settled days",
            select(t.settled_day)
            .where(t.settled_day.c.site == site)
            .order_by(t.settled_day.c.day, t.settled_day.c.revision),
        )
        return list({row["day"]: rows.day_from_row(row) for row in found}.values())

    def figures(self, site: str, after_ms: int, through_ms: int) -> list[DayFigure]:
        """What was kept of days that settled in after_ms < point <= through_ms, in order of settling."""
        kept = t.day_figure.c
        settled = [kept.settled_ms > after_ms, kept.settled_ms <= through_ms]
        wanted = select(t.day_figure).where(kept.site == site, *settled)
        found = self._all("reading what days left", wanted.order_by(kept.settled_ms, kept.day, kept.revision))
        return [rows.figure_from_row(row) for row in found]

    def sheets(self, site: str, since: date, until: date) -> list[DaySheet]:
        """The newest sheet of each day in since <= day < until that has one, in order."""
        kept = t.day_sheet.c
        days = [kept.day >= since.isoformat(), kept.day < until.isoformat()]
        found = self._all("reading day sheets", select(t.day_sheet).where(kept.site == site, *days).order_by(kept.day))
        return [rows.sheet_from_row(row) for row in found]

    def models(self, site: str, after_ms: int, through_ms: int) -> list[Model]:
        """What was learned in after_ms < midnight <= through_ms, used or not, in order of making."""
        kept = t.model.c
        made = [kept.made_ms > after_ms, kept.made_ms <= through_ms]
        wanted = select(t.model).where(kept.site == site, *made).order_by(kept.made_ms, kept.subject)
        return [rows.model_from_row(row) for row in self._all("reading what was learned", wanted)]

    # Mails

    def mails(self, site: str) -> list[Mail]:
        """Every mail ever decided, sent or not, in the order of decision."""
        found = self._all(
            "reading mails", select(t.outbox.c.mail).where(t.outbox.c.site == site).order_by(t.outbox.c.number)
        )
        return [rows.mail_from_json(row["mail"]) for row in found]

    def due_mails(self, now_ms: int, limit: int) -> list[OutboxRow]:
        """Unsent mails whose next try has come, in the order of decision."""
        found = self._all(
            "reading the outbox",
            select(t.outbox)
            .where(t.outbox.c.sent_ms.is_(None), t.outbox.c.next_try_ms <= now_ms)
            .order_by(t.outbox.c.number)
            .limit(limit),
        )
        return [OutboxRow(row["id"], rows.mail_from_json(row["mail"]), row["attempts"]) for row in found]

    def mark_sent(self, id: str, now_ms: int) -> None:
        """The mail was accepted. The first time counts; StoreError for an unknown id."""
        self._change_mail(
            id, {"sent_ms": func.coalesce(t.outbox.c.sent_ms, now_ms), "error": ""}, "marking a mail as sent"
        )

    def mark_failed(self, id: str, next_try_ms: int, error_text: str) -> None:
        """The mail was not accepted: one attempt more, and not again before next_try_ms."""
        failed = {"attempts": t.outbox.c.attempts + 1, "next_try_ms": next_try_ms, "error": error_text}
        self._change_mail(id, failed, "marking a mail as failed")

    def begin_again(self, told_until: Mapping[str, int]) -> None:
        """The ledger was lost and is made anew: mails of each site decided up to an instant were told before.

        A site that was given an instant already keeps it.
        """
        with self._writing("beginning again") as connection:
            for site, told_until_ms in told_until.items():
                lock_site(connection, site)
                if first(connection, select(t.rebuilt).where(t.rebuilt.c.site == site)) is None:
                    connection.execute(insert(t.rebuilt).values(site=site, told_until_ms=told_until_ms))

    def waiting_mails(self) -> int:
        """How many mails are not sent yet."""
        waiting = select(func.count().label("waiting")).select_from(t.outbox).where(t.outbox.c.sent_ms.is_(None))
        return int(self._all("counting mails", waiting)[0]["waiting"])

    # Inside

    def _settle_tables(self) -> None:
        with self._said("opening"), self._engine.connect() as connection:
            version = _version(connection, self._name)
            there = set(inspect(connection).get_table_names())  # older files go without the newest tables
        if version is None:
            with self._writing("creating the tables") as connection:
                version = _version(connection, self._name)  # another process may have been quicker
                if version is None:
                    t.METADATA.create_all(connection)
                    connection.execute(insert(t.meta).values(schema_version=t.SCHEMA_VERSION))
                    return
        if version != t.SCHEMA_VERSION:
            raise StoreError(
                f"{self._name} has the tables of version {version}, this program knows version {t.SCHEMA_VERSION}: "
                "use the newer program, or restore a copy from before the update"
            )
        if not set(t.METADATA.tables) <= there:
            with self._writing("opening") as connection:
                t.METADATA.create_all(connection)

    @contextmanager
    def _said(self, doing: str) -> Iterator[None]:
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error) as error:  # the second while a connection is being made
            # The driver's own words: the full text repeats the statement with everything in it.
            cause = getattr(error, "orig", None) or error
            raise store_error(f"ledger: {doing} failed: {cause}", cause) from error

    @contextmanager
    def _writing(self, doing: str) -> Iterator[Connection]:
        engine = self._engine.execution_options(**{t.WRITING: True})
        with self._said(doing), engine.begin() as connection:
            yield connection

    def _all(self, doing: str, wanted: Select[Any]) -> list[rows.Row]:
        with self._said(doing), self._engine.connect() as connection:
            return cast("list[rows.Row]", list(connection.execute(wanted).mappings()))

    def _alerts(self, wanted: Select[Any]) -> list[Alert]:
        found = self._all("reading alerts", wanted.order_by(t.alert.c.written_ms, t.alert.c.id))
        return [rows.alert_from_row(row) for row in found]

    def _change_mail(self, id: str, values: Mapping[str, object], doing: str) -> None:
        with self._writing(doing) as connection:
            changed = connection.execute(update(t.outbox).where(t.outbox.c.id == id).values(**values))
            if changed.rowcount == 0:
                raise StoreError(f"ledger: {doing} failed: there is no mail {id!r}")


def _version(connection: Connection, name: str) -> int | None:
    """The version of the tables that are there; None for an empty database."""
    there = set(inspect(connection).get_table_names())
    if not there:
        return None
    if not {t.meta.name, t.verdict_run.name} <= there:
        raise StoreError(f"{name} is a database, but no ledger")
    version: int | None = connection.scalar(select(func.max(t.meta.c.schema_version)))
    return version
