"""Replay: judge an old period again, or a file, without waiting, and say what would have been said.

One object a line, alerts sorted by opening, site and kind, then one summary. The simulated home writes its truth in
the same lines.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, TextIO

from watcher.alert.policy import POLICY
from watcher.catch_up import Case, catch_up
from watcher.domain.alert import Alert, AlertState
from watcher.domain.day import DayFigure
from watcher.domain.finding import VerdictRun
from watcher.domain.instant import iso
from watcher.domain.model import Model
from watcher.domain.reading import Late, Reading, Samples
from watcher.domain.sheet import Sheet, unpack
from watcher.domain.site import SiteRecord
from watcher.evaluate import History
from watcher.store.ledger import Ledger

BEGINNING_MS, END_MS = -(2**62), 2**62


@dataclass(frozen=True, slots=True)
class KnownNow:
    """A history as it is known today: every row counts as having come on time."""

    history: History

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> Mapping[str, Samples]:
        window = self.history.window(site, channels, start_ms, end_ms, END_MS)
        return {name: Samples(column.time_ms, column.value, column.time_ms) for name, column in window.items()}

    def late(self, site: str, since_ms: int, until_ms: int) -> Sequence[Late]:
        return ()

    def received_through(self, site: str) -> int | None:
        return self.history.received_through(site)

    def last(self, site: str) -> Mapping[str, Reading]:
        return self.history.last(site)

    def first(self, site: str) -> int | None:
        return self.history.first(site)


def replay(
    site: str,
    history: History,
    recorded: Ledger,
    parse: Callable[[str], SiteRecord],
    *,
    text: str = "",
    from_ms: int | None = None,
    through_ms: int | None = None,
    on_span: Callable[[int], None] | None = None,
) -> Ledger:
    """Judge a site from the beginning in a ledger of its own, with the site files and events of the recorded one.

    text: the site file to take where the recorded ledger has none. The recorded ledger is read, never written.
    """
    fresh = Ledger("sqlite://")
    fresh.copy_said(recorded, site)
    if not fresh.versions(site):
        fresh.put_version(site, text, 0)
    case = Case(site, history, fresh, parse)
    for evaluation in catch_up(case, through_ms, from_ms):
        if on_span is not None:
            on_span(evaluation.last_ms)
    return fresh


def alert_line(alert: Alert) -> dict[str, Any]:
    """An alert as one object; energies in kWh, instants in ISO 8601 UTC."""
    policy = POLICY[alert.finding]
    return {
        "type": "alert",
        "id": alert.id,
        "site": alert.site,
        "device": alert.subject,
        "kind": alert.finding.value,
        "cause": list(alert.causes),
        "class": policy.alert_class.value,
        "audience": [role.value for role in policy.audience],
        "state": alert.state.value,
        "onset": iso(alert.onset_ms),
        "onset_low": iso(alert.onset_low_ms),
        "onset_high": iso(alert.onset_high_ms),
        "opened": _iso(alert.opened_ms),
        "cleared": _iso(alert.cleared_ms),
        "closed_as": alert.closed_as.value if alert.closed_as else None,
        "loss_kwh": round(alert.loss_mwh / 1e6, 3),
        "loss_kwh_low": round(alert.loss_low_mwh / 1e6, 3),
        "loss_kwh_high": round(alert.loss_high_mwh / 1e6, 3),
        "evidence": dict(alert.evidence),
    }


def summary_line(site: str, ledger: Ledger) -> dict[str, Any]:
    """How far it was judged and how many alerts, mails and settled days came of it."""
    alerts = _told(ledger, site)
    return {
        "type": "summary",
        "site": site,
        "judged_through": _iso(ledger.evaluated_until(site)),
        "alerts": len(alerts),
        "open": sum(alert.state is AlertState.OPEN for alert in alerts),
        "mails": len(ledger.mails(site)),
        "settled_days": len(ledger.days(site)),
    }


def write_lines(site: str, ledger: Ledger, out: TextIO) -> None:
    """Alerts (suspicions left out) sorted by opening, site and kind; the summary last."""
    for alert in _told(ledger, site):
        out.write(json.dumps(alert_line(alert)) + "\n")
    out.write(json.dumps(summary_line(site, ledger)) + "\n")


def differences(site: str, one: Ledger, other: Ledger) -> list[str]:
    """Every way in which two ledgers differ on a site: alerts, mails, verdict runs, days and what is kept of them."""
    found: list[str] = []
    found += _differing("alert", {a.id: a for a in one.alerts(site)}, {a.id: a for a in other.alerts(site)})
    found += _differing("mail", {m.id: m for m in one.mails(site)}, {m.id: m for m in other.mails(site)})
    found += _differing("run", _by_key(one.runs(site)), _by_key(other.runs(site)))
    found += _differing("day", {d.day: d for d in one.days(site)}, {d.day: d for d in other.days(site)})
    found += _differing("figure", _by_day(one, site), _by_day(other, site))
    found += _differing("model", _models(one, site), _models(other, site))
    found += _differing("sheet", _sheets(one, site), _sheets(other, site))
    return found


def _by_key(runs: Iterable[VerdictRun]) -> dict[tuple[str, str, str], VerdictRun]:
    return {(run.finding.value, run.subject, iso(run.first_ms)): run for run in runs}


def _by_day(ledger: Ledger, site: str) -> dict[tuple[str, str, str, int], DayFigure]:
    figures = ledger.figures(site, BEGINNING_MS, END_MS)
    return {(one.finding.value, one.subject, one.day.isoformat(), one.revision): one for one in figures}


def _models(ledger: Ledger, site: str) -> dict[str, Model]:
    return {one.id: one for one in ledger.models(site, BEGINNING_MS, END_MS)}


def _sheets(ledger: Ledger, site: str) -> dict[str, Sheet]:
    return {one.day.isoformat(): unpack(one.content) for one in ledger.sheets(site, date.min, date.max)}


def _differing(what: str, one: Mapping[Any, Any], other: Mapping[Any, Any]) -> list[str]:
    return [
        f"{what} {key}: {one.get(key, 'is not there')} | {other.get(key, 'is not there')}"
        for key in sorted({*one, *other}, key=str)
        if one.get(key) != other.get(key)
    ]


def _told(ledger: Ledger, site: str) -> list[Alert]:
    alerts = [alert for alert in ledger.alerts(site) if alert.opened_ms is not None]
    return sorted(alerts, key=lambda alert: (alert.opened_ms, alert.site, alert.finding, alert.subject))


def _iso(ms: int | None) -> str | None:
    return iso(ms) if ms is not None else None
