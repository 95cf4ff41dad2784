"""The pure line end to end: readings in a real store, judged by the real loop into a real ledger."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tests.detect.made_homes import Home, record_of
from watcher.catch_up import Case, catch_up
from watcher.domain.alert import Alert, AlertState
from watcher.domain.finding import Finding
from watcher.domain.instant import GRACE_MS
from watcher.domain.reading import Reading, Samples
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

Batch = tuple[int, list[Reading]]
"""Rows that came late, with the instant they were received."""


def rows_of(raw: Mapping[str, Samples]) -> list[Reading]:
    return [
        Reading(name, time_ms, value)
        for name, column in raw.items()
        for time_ms, value in zip(column.time_ms, column.value, strict=True)
    ]


def stored(home: Home, raw: Mapping[str, Samples], late: Iterable[Batch] = ()) -> SqliteReadings:
    """A store that heard all of it, up to the end of the home's last day."""
    store = SqliteReadings(":memory:")
    for received_ms, rows in sorted(late):
        store.append({home.site.id: rows}, received_ms)
    store.append_history(home.site.id, rows_of(raw), home.end_ms + GRACE_MS)
    store.append({home.site.id: []}, home.end_ms + GRACE_MS)
    return store


def bench(home: Home, store: SqliteReadings) -> Case:
    """The site on the bench with an empty ledger."""
    ledger = Ledger("sqlite://")
    ledger.put_version(home.site.id, "as made", 0)
    return Case(home.site.id, store, ledger, lambda _text: record_of(home.site))


def judged(home: Home, raw: Mapping[str, Samples] | None = None, late: Iterable[Batch] = ()) -> Ledger:
    """Everything that comes of a home's readings."""
    with stored(home, home.raw() if raw is None else raw, late) as store:
        case = bench(home, store)
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        return case.ledger


def told(ledger: Ledger, *findings: Finding) -> list[Alert]:
    """The alerts that were opened, of these findings or of all."""
    alerts = [alert for alert in ledger.alerts("home-1") if alert.opened_ms is not None]
    return [alert for alert in alerts if not findings or alert.finding in findings]


def standing(ledger: Ledger) -> list[Alert]:
    return [alert for alert in ledger.alerts("home-1") if alert.state is AlertState.OPEN]
