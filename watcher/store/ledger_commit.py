"""The statements that put an evaluation down, inside a transaction the ledger has begun.

Rule: an evaluation lands on exactly the state it was made from, or not at all (Superseded). Runs come out the
same however time was cut into evaluations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, cast

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    Table,
    and_,
    bindparam,
    exists,
    insert,
    literal,
    select,
    update,
)

from watcher.domain.alert import Alert, Mail
from watcher.domain.day import DaySheet
from watcher.domain.errors import StoreError
from watcher.domain.evaluation import Evaluation, continues
from watcher.domain.event import Document
from watcher.domain.finding import Finding, VerdictRun
from watcher.domain.instant import GRACE_MS, GRID_MS
from watcher.store import ledger_rows as rows
from watcher.store import ledger_tables as t


class Superseded(StoreError):  # noqa: N818  it says what happened; nothing went wrong
    """Someone else has judged these points, or something was said about them meanwhile: look again and judge anew."""


def first(connection: Connection, wanted: Select[Any]) -> rows.Row | None:
    """The first row of a query, by column name."""
    return cast("rows.Row | None", connection.execute(wanted.limit(1)).mappings().first())


def lock_site(connection: Connection, site: str) -> int | None:
    """Enter a site that is new, keep every other writer off it until the transaction ends; its evaluated_until."""
    known = exists().where(t.site.c.id == site)
    connection.execute(insert(t.site).from_select(["id"], select(literal(site)).where(~known)))
    until_ms: int | None = connection.scalar(
        select(t.site.c.evaluated_until).where(t.site.c.id == site).with_for_update()
    )
    return until_ms


def advance(connection: Connection, evaluation: Evaluation, previous_until_ms: int | None) -> None:
    """Move evaluated_until on, or raise Superseded."""
    until_ms = lock_site(connection, evaluation.site)
    if until_ms != previous_until_ms:
        raise Superseded(f"{evaluation.site}: judged up to {until_ms} meanwhile, no longer {previous_until_ms}")
    log = t.event_log.c
    unseen = select(log.number).where(
        log.site == evaluation.site,
        log.number > evaluation.events_seen,
        log.received_ms < evaluation.last_ms + GRACE_MS,
    )
    if first(connection, unseen) is not None:
        raise Superseded(f"{evaluation.site}: an event came in before {evaluation.last_ms} could be committed")
    connection.execute(update(t.site).where(t.site.c.id == evaluation.site).values(evaluated_until=evaluation.last_ms))


def newest_runs(site: str) -> Select[Any]:
    """The query for the newest run of each finding and subject, in their order."""
    run, newest = t.verdict_run.c, t.newest_run.c
    same = and_(
        run.site == newest.site,
        run.finding == newest.finding,
        run.subject == newest.subject,
        run.first_ms == newest.first_ms,
    )
    joined = select(t.verdict_run).join(t.newest_run, same)
    return joined.where(newest.site == site).order_by(newest.finding, newest.subject)


def _bound(key: rows.Row) -> rows.Row:
    """The same key under names that no column has, for a statement that is run for many rows."""
    return {f"its_{name}": value for name, value in key.items()}


def _where(table: Table, *key: str) -> ColumnElement[bool]:
    return and_(*(table.c[name] == bindparam(f"its_{name}") for name in key))


_LONGER = (
    update(t.verdict_run)
    .where(_where(t.verdict_run, "site", "finding", "subject", "first_ms"))
    .values(last_ms=bindparam("last_ms"), loss_mwh=bindparam("loss_mwh"))
)
_NEWER = (
    update(t.newest_run)
    .where(_where(t.newest_run, "site", "finding", "subject"))
    .values(first_ms=bindparam("first_ms"))
)


def put_runs(connection: Connection, site: str, runs: Sequence[VerdictRun]) -> None:
    """Join each run to the one it continues, or begin a new one."""
    before = {
        (run.finding, run.subject): run
        for run in map(rows.run_from_row, cast("list[rows.Row]", connection.execute(newest_runs(site)).mappings()))
    }
    newest, changed = dict(before), dict[tuple[Finding, str, int], VerdictRun]()
    for run in runs:
        key = (run.finding, run.subject)
        last = newest.get(key)
        if last is not None and run.first_ms <= last.last_ms:
            raise ValueError(f"{site} {run.finding} {run.subject}: judged already at {run.first_ms}")
        if last is not None and continues(last, run, GRID_MS):
            run = replace(last, last_ms=run.last_ms, loss_mwh=last.loss_mwh + run.loss_mwh)
        newest[key] = changed[(*key, run.first_ms)] = run
    begun: list[rows.Row] = []
    longer: list[rows.Row] = []
    for (finding, subject, first_ms), run in changed.items():
        old = before.get((finding, subject))
        if old is None or old.first_ms != first_ms:
            begun.append(rows.run_to_row(run))
        else:
            key_columns = {"site": site, "finding": str(finding), "subject": subject, "first_ms": first_ms}
            longer.append({**_bound(key_columns), "last_ms": run.last_ms, "loss_mwh": run.loss_mwh})
    if begun:
        connection.execute(insert(t.verdict_run), begun)
    if longer:
        connection.execute(_LONGER, longer)
    newer: list[rows.Row] = []
    for (finding, subject), run in newest.items():
        old = before.get((finding, subject))
        key_columns = {"site": site, "finding": str(finding), "subject": subject}
        if old is None:
            _put(connection, t.newest_run, key_columns, {"first_ms": run.first_ms})
        elif old.first_ms != run.first_ms:
            newer.append({**_bound(key_columns), "first_ms": run.first_ms})
    if newer:
        connection.execute(_NEWER, newer)


def put_alert(connection: Connection, alert: Alert) -> None:
    """Enter an alert, or change it to what it is now."""
    row = rows.alert_to_row(alert)
    _put(connection, t.alert, {"id": row.pop("id")}, row)


def put_sheet(connection: Connection, site: str, sheet: DaySheet) -> None:
    """The sheet of a day, in place of an earlier revision's."""
    values = {"revision": sheet.revision, "settled_ms": sheet.settled_ms, "content": sheet.content}
    _put(connection, t.day_sheet, {"site": site, "day": sheet.day.isoformat()}, values)


def put_document(connection: Connection, document: Document, now_ms: int) -> None:
    """A file that an event names, once: the same bytes again are the same document."""
    known = select(t.document.c.sha256).where(t.document.c.sha256 == document.sha256)
    if first(connection, known) is None:
        row = {"sha256": document.sha256, "media": document.media, "received_ms": now_ms, "content": document.content}
        connection.execute(insert(t.document).values(row))


def put_mail(connection: Connection, mail: Mail) -> None:
    """Into the outbox, once: the same id again is the same mail. One that was told before a loss counts as sent."""
    told = first(connection, select(t.rebuilt.c.told_until_ms).where(t.rebuilt.c.site == mail.alert.site))
    row = {
        "id": mail.id,
        "site": mail.alert.site,
        "mail": rows.mail_to_json(mail),
        "attempts": 0,
        "next_try_ms": mail.decided_ms,
        "sent_ms": mail.decided_ms if told is not None and mail.decided_ms <= told["told_until_ms"] else None,
        "error": "",
    }
    if first(connection, select(t.outbox.c.id).where(t.outbox.c.id == mail.id)) is None:
        connection.execute(insert(t.outbox).values(row))


def _put(connection: Connection, table: Table, key: rows.Row, values: rows.Row) -> None:
    """Change the row with this key, or insert it."""
    if _change(connection, table, key, values) == 0:
        connection.execute(insert(table).values({**key, **values}))


def _change(connection: Connection, table: Table, key: rows.Row, values: rows.Row) -> int:
    is_it = and_(*(table.c[name] == value for name, value in key.items()))
    return connection.execute(update(table).where(is_it).values(dict(values))).rowcount
