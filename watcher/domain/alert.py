"""An alert: one fault of one subject, from the first suspicion to its end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from watcher.domain.finding import Finding
from watcher.domain.instant import from_ms


class AlertState(StrEnum):
    SUSPECTED = "suspected"
    OPEN = "open"
    CLEARED = "cleared"


class ClosedAs(StrEnum):
    RECOVERED = "recovered"
    WITHDRAWN = "withdrawn"
    REPLACED = "replaced"  # by another alert, which says what this one comes of
    RECORD_CHANGED = "record-changed"
    INSPECTED = "inspected"


class Severity(StrEnum):
    URGENT = "urgent"
    SOON = "soon"
    PLANNED = "planned"


class AlertClass(StrEnum):
    SAFETY = "safety"
    ENERGY = "energy"


@dataclass(frozen=True, slots=True)
class Alert:
    """One fault of one subject.

    written_ms: the grid point at which it was first written; with the key it makes the id
    onset_ms, onset_low_ms, onset_high_ms: estimate of when the fault began, and the interval it lies in
    opened_ms, cleared_ms: grid points, None before
    fault_ms, ok_ms: evidence time held so far for and against [ms]; nights and gaps count for neither
    loss_mwh, loss_low_mwh, loss_high_mwh: energy lost so far with its interval [mWh]
    evidence: the few numbers and texts a mail or a page shows (JSON values)
    """

    site: str
    finding: Finding
    subject: str
    state: AlertState
    written_ms: int
    onset_ms: int
    onset_low_ms: int
    onset_high_ms: int
    opened_ms: int | None = None
    cleared_ms: int | None = None
    closed_as: ClosedAs | None = None
    causes: tuple[str, ...] = ()
    fault_ms: int = 0
    ok_ms: int = 0
    loss_mwh: int = 0
    loss_low_mwh: int = 0
    loss_high_mwh: int = 0
    evidence: Mapping[str, str | float] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """Derived, never drawn, so that a replay gives the same: home-1/meter-stalled/meter-1@20260621T1035Z."""
        return f"{self.site}/{self.finding}/{self.subject}@{from_ms(self.written_ms):%Y%m%dT%H%MZ}"


class MailReason(StrEnum):
    OPENED = "opened"
    REMINDER = "reminder"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Mail:
    """One message to one person, decided but not yet sent.

    The body is written when it is sent: numbers live here, words in alert/wording.py.
    line: what the firm added when it released the letter
    """

    alert: Alert
    reason: MailReason
    role: str
    address: str
    decided_ms: int
    line: str = ""

    @property
    def id(self) -> str:
        """Derived from what it says and to whom: sent twice after a crash, it carries the same Message-ID."""
        ordinal = f"-{self.decided_ms // 86_400_000}" if self.reason is MailReason.REMINDER else ""
        return f"{self.alert.id}#{self.reason}{ordinal}#{self.role}#{self.address}"
