"""The thresholds of what people say of meters, and of meters' papers.

Rule: as in policy_table.py, which joins these rows to the rest.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.policy_row import PAID, TRADE, Policy
from watcher.domain.alert import Severity
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS

POLICY_OF_METER_PAPERS: Mapping[Finding, Policy] = {
    Finding.READING_DOUBTFUL: Policy(
        hold_ms=0,
        clear_ms=GRID_MS,  # the next reading that fits
        severity=Severity.PLANNED,
        audience=(*PAID, *TRADE),
        remind_days=(),
        tells_end=False,
        limits={
            # What a display and a register read automatically may part by from one reading to the next: more than
            # pulses miss or double, and than anybody rounds.
            "least_wh": 20_000.0,
            "share": 0.3,
        },
    ),
    Finding.METER_UNREADABLE: Policy(
        hold_ms=0,
        clear_ms=GRID_MS,  # the next good reading
        severity=Severity.SOON,  # payment stops at the last good reading
        audience=(*PAID, *TRADE),
        limits={},
    ),
    Finding.METER_DISPLAY_DRIFT: Policy(
        hold_ms=0,
        clear_ms=GRID_MS,
        severity=Severity.PLANNED,
        audience=TRADE,
        remind_days=(),
        tells_end=False,
        questions=("display-check-due",),
        limits={
            "share": 0.015,  # what a meter's own error may not explain, since both are of one register
            "step_wh": 1_200.0,  # people leave the decimals out
            "least_wh": 30_000.0,  # counted between two readings: less decides nothing
            "ask_days": 7.0,  # before the end of a quarter
            "late_days": 30.0,  # after it
            "fresh_days": 30.0,  # before it, within which a reading will do
        },
    ),
    Finding.METER_CERTIFICATION_DUE: Policy(
        hold_ms=0,
        clear_ms=GRID_MS,
        severity=Severity.PLANNED,
        audience=TRADE,
        remind_days=(),
        tells_end=False,
        limits={
            "certificate_days": 90.0,  # before its end: time to order a meter and to find a day
            "every_days": 730.0,  # of verification, where a feed-in tariff is paid (scheme rules, from memory)
            "verification_days": 60.0,
        },
    ),
}
