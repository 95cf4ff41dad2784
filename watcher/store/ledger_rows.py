"""Between the domain's dataclasses and rows of the ledger, both ways and exactly.

Rule: pure, and nothing is lost: what comes back equals what went in. JSON text has sorted keys and no NaN.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import Any

from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.day import DayFigure, DaySheet, SettledDay
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding, Verdict, VerdictRun
from watcher.domain.model import Model, pack, unpack

Row = Mapping[str, Any]


def to_json(value: object) -> str:
    """ValueError for NaN and infinities, TypeError for what JSON does not know."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _columns(value: VerdictRun | Alert | SettledDay | DayFigure) -> dict[str, Any]:
    return {field.name: getattr(value, field.name) for field in fields(value)}


def run_to_row(run: VerdictRun) -> dict[str, Any]:
    """ValueError for a number that is none: missing is None."""
    for number in (run.observed, run.expected):
        if number is not None and not math.isfinite(number):
            raise ValueError(f"{run.site} {run.finding} {run.subject} at {run.first_ms}: {number!r} is no number")
    return {**_columns(run), "finding": str(run.finding), "verdict": str(run.verdict), "causes": to_json(run.causes)}


def run_from_row(row: Row) -> VerdictRun:
    told = {
        "finding": Finding(row["finding"]),
        "verdict": Verdict(row["verdict"]),
        "causes": tuple(json.loads(row["causes"])),
    }
    return VerdictRun(**{**row, **told})


def alert_to_row(alert: Alert) -> dict[str, Any]:
    plain = _alert_to_json(alert)
    return {"id": alert.id, **plain, "causes": to_json(plain["causes"]), "evidence": to_json(plain["evidence"])}


def alert_from_row(row: Row) -> Alert:
    columns = {name: value for name, value in row.items() if name != "id"}
    told = {"causes": json.loads(row["causes"]), "evidence": json.loads(row["evidence"])}
    return _alert_from_json({**columns, **told})


def _alert_to_json(alert: Alert) -> dict[str, Any]:
    told = {
        "finding": str(alert.finding),
        "state": str(alert.state),
        "closed_as": None if alert.closed_as is None else str(alert.closed_as),
        "causes": list(alert.causes),
        "evidence": dict(alert.evidence),
    }
    return {**_columns(alert), **told}


def _alert_from_json(plain: Row) -> Alert:
    told = {
        "finding": Finding(plain["finding"]),
        "state": AlertState(plain["state"]),
        "closed_as": None if plain["closed_as"] is None else ClosedAs(plain["closed_as"]),
        "causes": tuple(plain["causes"]),
    }
    return Alert(**{**plain, **told})


def mail_to_json(mail: Mail) -> str:
    """The whole mail with the alert as it was when the mail was decided."""
    told = {
        "alert": _alert_to_json(mail.alert),
        "reason": str(mail.reason),
        **({"line": mail.line} if mail.line else {}),
    }
    return to_json({"role": mail.role, "address": mail.address, "decided_ms": mail.decided_ms, **told})


def mail_from_json(text: str) -> Mail:
    plain = json.loads(text)
    told = {"alert": _alert_from_json(plain["alert"]), "reason": MailReason(plain["reason"])}
    return Mail(**{**plain, **told})


def event_to_row(event: Event) -> dict[str, Any]:
    return {
        "site": event.site,
        "kind": str(event.kind),
        "subject": event.subject,
        "at_ms": event.at_ms,
        "received_ms": event.received_ms,
        "values": to_json(dict(event.values)),
    }


def event_from_row(row: Row) -> Event:
    return Event(
        row["site"],
        EventKind(row["kind"]),
        row["subject"],
        row["at_ms"],
        row["received_ms"],
        json.loads(row["values"]),
    )


def day_to_row(settled: SettledDay) -> dict[str, Any]:
    """ValueError for a figure that is no number: missing is None."""
    for figure in (settled.generated_wh, settled.metered_wh, settled.expected_wh, settled.coverage):
        if figure is not None and not math.isfinite(figure):
            raise ValueError(f"{settled.site} {settled.day}: {figure!r} is no figure")
    return {**_columns(settled), "day": settled.day.isoformat()}


def day_from_row(row: Row) -> SettledDay:
    return SettledDay(**{**row, "day": date.fromisoformat(row["day"])})


def figure_to_row(site: str, figure: DayFigure) -> dict[str, Any]:
    """ValueError for a value that is no number."""
    for name, value in figure.values.items():
        if not math.isfinite(value):
            raise ValueError(f"{site} {figure.finding} {figure.subject} {figure.day}: {name} = {value!r} is no figure")
    own = {**_columns(figure), "day": figure.day.isoformat(), "finding": str(figure.finding)}
    return {**own, "site": site, "values": to_json(dict(figure.values))}


def figure_from_row(row: Row) -> DayFigure:
    return DayFigure(
        Finding(row["finding"]),
        row["subject"],
        date.fromisoformat(row["day"]),
        row["revision"],
        row["settled_ms"],
        json.loads(row["values"]),
    )


def sheet_from_row(row: Row) -> DaySheet:
    return DaySheet(date.fromisoformat(row["day"]), row["revision"], row["settled_ms"], row["content"])


def model_to_row(site: str, model: Model) -> dict[str, Any]:
    """ValueError for a number that is none."""
    return {"site": site, "subject": model.subject, "made_ms": model.made_ms, "content": pack(model)}


def model_from_row(row: Row) -> Model:
    return unpack(row["content"])
