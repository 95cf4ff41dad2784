"""What one evaluation of one site came to; the ledger commits it whole or not at all."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.domain.alert import Alert, Mail
from watcher.domain.day import DayFigure, DaySheet, SettledDay
from watcher.domain.finding import VerdictRun
from watcher.domain.model import Model


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Consequences of judging the grid points first_ms..last_ms of one site, both included.

    runs: verdict runs inside that stretch, in order; the ledger joins the first of each (finding, subject) to the
        stored one it continues (same verdict, code and causes, and no grid point between)
    alerts: alerts that began or changed, as they are at last_ms
    dropped: ids of suspicions that came to nothing; they are removed without trace
    mails: decided here, sent later
    days: civil days settled here. sheets: the same, interval by interval
    figures: what day detectors keep of them. models: what was learned before the first of these points
    events_seen: number of the newest event that was taken into account, 0 for none
    """

    site: str
    first_ms: int
    last_ms: int
    runs: tuple[VerdictRun, ...] = ()
    alerts: tuple[Alert, ...] = ()
    dropped: tuple[str, ...] = ()
    mails: tuple[Mail, ...] = ()
    days: tuple[SettledDay, ...] = ()
    sheets: tuple[DaySheet, ...] = ()
    figures: tuple[DayFigure, ...] = ()
    models: tuple[Model, ...] = ()
    events_seen: int = 0


def continues(before: VerdictRun, after: VerdictRun, grid_ms: int) -> bool:
    """Whether `after` goes on where `before` ended, with the same thing to say."""
    return (
        (before.site, before.finding, before.subject) == (after.site, after.finding, after.subject)
        and (before.verdict, before.code, before.causes) == (after.verdict, after.code, after.causes)
        and after.first_ms == before.last_ms + grid_ms
    )
