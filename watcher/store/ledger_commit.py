"""The statements that put an evaluation down, inside a transaction the ledger has begun.

Rule: an evaluation lands on exactly the state it was made from, or not at all (Superseded). Runs come out the
same however time was cut into evaluations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, cast

from sqlalchemy import Connection, Select, exists, insert, literal, select, update

from watcher.domain.alert import Alert, Mail
from watcher.domain.errors import StoreError
from watcher.domain.evaluation import Evaluation, continues
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


def put_runs(connection: Connection, runs: Sequence[VerdictRun]) -> None:
    """Join each run to the one it continues, or begin a new one."""
    newest: dict[tuple[Finding, str], VerdictRun | None] = {}
    stored: set[tuple[Finding, str, int]] = set()
    changed: dict[tuple[Finding, str, int], VerdictRun] = {}
    for run in runs:
        key = (run.finding, run.subject)
        if key not in newest:
            newest[key] = before = _newest_run(connection, run)
            if before is not None:
                stored.add((*key, before.first_ms))
        before = newest[key]
        if before is not None and run.first_ms <= before.last_ms:
            raise ValueError(f"{run.site} {run.finding} {run.subject}: judged already at {run.first_ms}")
        if before is not None and continues(before, run, GRID_MS):
            run = replace(before, last_ms=run.last_ms, loss_mwh=before.loss_mwh + run.loss_mwh)
        newest[key] = changed[(*key, run.first_ms)] = run
    for at, run in changed.items():
        if at in stored:
            table = t.verdict_run.c
            connection.execute(
                update(t.verdict_run)
                .where(
                    table.site == run.site,
                    table.finding == str(run.finding),
                    table.subject == run.subject,
                    table.first_ms == run.first_ms,
                )
                .values(last_ms=run.last_ms, loss_mwh=run.loss_mwh)
            )
    fresh = [rows.run_to_row(run) for at, run in changed.items() if at not in stored]
    if fresh:
        connection.execute(insert(t.verdict_run), fresh)


def _newest_run(connection: Connection, like: VerdictRun) -> VerdictRun | None:
    run = t.verdict_run.c
    row = first(
        connection,
        select(t.verdict_run)
        .where(run.site == like.site, run.finding == str(like.finding), run.subject == like.subject)
        .order_by(run.first_ms.desc()),
    )
    return None if row is None else rows.run_from_row(row)


def put_alert(connection: Connection, alert: Alert) -> None:
    row = rows.alert_to_row(alert)
    changed = connection.execute(update(t.alert).where(t.alert.c.id == alert.id).values(row))
    if changed.rowcount == 0:
        connection.execute(insert(t.alert).values(row))


def put_mail(connection: Connection, mail: Mail) -> None:
    """Into the outbox, once: the same id again is the same mail."""
    row = {
        "id": mail.id,
        "site": mail.alert.site,
        "mail": rows.mail_to_json(mail),
        "attempts": 0,
        "next_try_ms": mail.decided_ms,
        "error": "",
    }
    if first(connection, select(t.outbox.c.id).where(t.outbox.c.id == mail.id)) is None:
        connection.execute(insert(t.outbox).values(row))
