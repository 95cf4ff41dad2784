"""A life-like evaluation for the ledger's tests, every field filled."""

from __future__ import annotations

from datetime import date

from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.day import DayFigure, SettledDay
from watcher.domain.evaluation import Evaluation
from watcher.domain.finding import Finding, Verdict, VerdictRun
from watcher.domain.instant import GRID_MS, HOUR_MS, parse_iso

T0 = parse_iso("2026-06-21T10:00:00Z")
SITE = "home-1"


def run(first_ms: int, last_ms: int, **changes: object) -> VerdictRun:
    fields: dict[str, object] = {
        "site": SITE,
        "finding": Finding.STRING_OPEN,
        "subject": "inverter-1.input-2",
        "first_ms": first_ms,
        "last_ms": last_ms,
        "verdict": Verdict.FAULT,
        "code": "string-open.no-current",
        "causes": ("voltage-none", "voltage-drifting"),
        "observed": 1 / 3,
        "expected": 6.75,
        "unit": "A",
        "loss_mwh": 12_345,
    }
    return VerdictRun(**{**fields, **changes})  # type: ignore[arg-type]


def alert(written_ms: int, state: AlertState, **changes: object) -> Alert:
    fields: dict[str, object] = {
        "site": SITE,
        "finding": Finding.STRING_OPEN,
        "subject": "inverter-1.input-2",
        "state": state,
        "written_ms": written_ms,
        "onset_ms": written_ms - HOUR_MS,
        "onset_low_ms": written_ms - 2 * HOUR_MS,
        "onset_high_ms": written_ms,
        "opened_ms": None if state is AlertState.SUSPECTED else written_ms + GRID_MS,
        "cleared_ms": written_ms + HOUR_MS if state is AlertState.CLEARED else None,
        "closed_as": ClosedAs.RECOVERED if state is AlertState.CLEARED else None,
        "causes": ("voltage-none",),
        "fault_ms": 2 * GRID_MS,
        "ok_ms": 0,
        "loss_mwh": 4_300_000,
        "loss_low_mwh": 3_900_000,
        "loss_high_mwh": 4_700_000,
        "evidence": {"serial": "0012 Ω", "usual_voltage_v": 381.2, "strings": 2},
    }
    return Alert(**{**fields, **changes})  # type: ignore[arg-type]


def mail(about: Alert, reason: MailReason = MailReason.OPENED, role: str = "installer") -> Mail:
    return Mail(about, reason, role, f"{role}@example.org", about.written_ms + GRID_MS)


def settled(revision: int, **changes: object) -> SettledDay:
    fields: dict[str, object] = {
        "site": SITE,
        "day": date(2026, 6, 20),
        "revision": revision,
        "settled_ms": T0 + revision,
        "generated_wh": 27_400.1,
        "metered_wh": None,
        "expected_wh": 28_000.0,
        "coverage": 0.998,
    }
    return SettledDay(**{**fields, **changes})  # type: ignore[arg-type]


def figure(revision: int, settled_ms: int, **values: float) -> DayFigure:
    kept = {"made_wh": 27_400.1, "allowed_wh": 1 / 3, **values}
    return DayFigure(Finding.OUTPUT_LOW, "inverter-1", date(2026, 6, 20), revision, settled_ms, kept)


def whole_evaluation(first_ms: int = T0, last_ms: int = T0 + HOUR_MS) -> Evaluation:
    """One with everything an evaluation can bring."""
    suspected = alert(first_ms, AlertState.SUSPECTED, subject="inverter-1.input-1")
    opened = alert(first_ms, AlertState.OPEN)
    return Evaluation(
        site=SITE,
        first_ms=first_ms,
        last_ms=last_ms,
        runs=(
            run(first_ms, last_ms),
            run(first_ms, last_ms, subject="inverter-1.input-1", verdict=Verdict.OK, code="string-open.ok", causes=()),
        ),
        alerts=(suspected, opened),
        mails=(mail(opened), mail(opened, role="owner")),
        days=(settled(0), settled(0, day=date(2026, 6, 19))),
        figures=(figure(0, first_ms),),
    )
