"""One row of the table of thresholds: how a finding becomes an alert, and who hears of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watcher.domain.alert import AlertClass, Severity
from watcher.domain.instant import DAY_MS, GRID_MS
from watcher.domain.site import Role

HOME = (Role.OWNER, Role.OCCUPIER)
PAID = (Role.PAYEE,)
TRADE = (Role.INSTALLER,)
EVERYONE = tuple(Role)


@dataclass(frozen=True, slots=True)
class Policy:
    """How one finding becomes an alert and who hears of it.

    hold_ms, clear_ms: evidence for and against that opens and clears an alert
    unit_ms: evidence one verdict is worth: a grid interval, or a day where days are judged
    limits: the detector's own numbers, named in its file
    alert_class: a safety finding opens on one word, goes to everyone, is not bent by a site's file, and stands until an
        inspection is recorded: clear_ms is of no account there
    remind_days: reminders this long after opening, then every week
    tells_end: whether who heard of it hears that it is over, too
    home_after_days: so long after opening the home hears of it, where a firm hears of it first (alert/telling.py)
    questions: causes with which it is no accusation but a question to the trade, asked once
    """

    hold_ms: int
    clear_ms: int
    severity: Severity
    audience: tuple[Role, ...]
    limits: Mapping[str, float]
    unit_ms: int = GRID_MS
    alert_class: AlertClass = AlertClass.ENERGY
    remind_days: tuple[int, ...] = (3, 10)
    tells_end: bool = True
    home_after_days: int = 3
    questions: tuple[str, ...] = ()


def safety(**limits: float) -> Policy:
    """The row of a finding that may hurt someone."""
    return Policy(
        hold_ms=0,
        clear_ms=DAY_MS,
        severity=Severity.URGENT,
        audience=EVERYONE,
        limits=limits,
        alert_class=AlertClass.SAFETY,
        remind_days=(1, 3),
        home_after_days=0,
    )
