"""A fleet in the order in which it is worth a visit: by what is lost in a year and how sure that is.

Rule: a question never stands before a fault, and a site of which nothing can be told is listed as that, not as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from watcher.alert.wording_money import lost_payment
from watcher.detect.readings_found import ReadingsFinding, ReadingsJudged, Sureness
from watcher.domain.alert import Alert, AlertState
from watcher.domain.instant import DAY_MS
from watcher.domain.site import SiteRecord

WEIGHT = {Sureness.CERTAIN: 1.0, Sureness.LIKELY: 0.8, Sureness.POSSIBLE: 0.4, Sureness.QUESTION: 0.2}
"""What a kWh lost is worth in the order, by how sure it is (own choice)."""


class Group(IntEnum):
    """In this order they are listed."""

    LOSES = 0
    QUESTION = 1
    WELL = 2
    UNTOLD = 3


@dataclass(frozen=True, slots=True)
class TriageRow:
    """One meter of one site. rank: 1 for the first. finding: what matters most there, None where nothing is wrong

    pence_low, pence_high: payments missed in a year; None where no rate is on file
    """

    rank: int
    record: SiteRecord
    judged: ReadingsJudged
    group: Group
    finding: ReadingsFinding | None = None
    pence_low: float | None = None
    pence_high: float | None = None


def triage(sites: Sequence[tuple[SiteRecord, ReadingsJudged]]) -> list[TriageRow]:
    """The sites in order."""
    rows = [_row(record, judged) for record, judged in sites]
    rows.sort(key=lambda row: (row.group, -_worth(row.finding), row.record.id, row.judged.meter))
    return [
        TriageRow(n, row.record, row.judged, row.group, row.finding, row.pence_low, row.pence_high)
        for n, row in enumerate(rows, start=1)
    ]


def _row(record: SiteRecord, judged: ReadingsJudged) -> TriageRow:
    finding = max(judged.findings, key=_worth, default=None)
    if finding is not None:
        group = Group.QUESTION if finding.sureness is Sureness.QUESTION else Group.LOSES
    else:
        group = Group.WELL if judged.untold is None else Group.UNTOLD
    low, high = _payment(record, judged, finding)
    return TriageRow(0, record, judged, group, finding, low, high)


def _worth(finding: ReadingsFinding | None) -> float:
    return 0.0 if finding is None else WEIGHT[finding.sureness] * finding.loss_year_wh


def _payment(
    record: SiteRecord, judged: ReadingsJudged, finding: ReadingsFinding | None
) -> tuple[float | None, float | None]:
    """Payments missed in a year at the rates that held at the newest reading. [pence]"""
    if finding is None or not judged.held:
        return None, None
    end_ms = judged.held[-1].end_ms
    year = Alert(
        record.id, finding.finding, judged.meter, AlertState.OPEN, end_ms, end_ms - DAY_MS, end_ms - DAY_MS, end_ms,
        loss_mwh=round(finding.loss_year_wh * 1000.0),
        loss_low_mwh=round(finding.loss_low_wh * 1000.0),
        loss_high_mwh=round(finding.loss_high_wh * 1000.0),
    )  # fmt: skip
    paid = lost_payment(year, record.at(end_ms).payment, end_ms)
    return (None, None) if paid is None else paid
