"""Finding names and verdicts.

Rule: a finding is named after the fault, never after the method that found it. Unknown is not OK.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Finding(StrEnum):
    """Every fault this program can name so far."""

    EARTH_FAULT = "earth-fault"
    ARC_FAULT = "arc-fault"
    INVERTER_OVERHEATING = "inverter-overheating"
    SUPPLY_VOLTAGE_DANGER = "supply-voltage-danger"
    BATTERY_ALARM = "battery-alarm"
    METER_STALLED = "meter-stalled"
    METER_REVERSED = "meter-reversed"
    METER_RESTARTED = "meter-restarted"
    METER_NIGHT_ENERGY = "meter-night-energy"
    METER_SILENT = "meter-silent"
    METER_MISMATCH = "meter-mismatch"
    METER_UNREADABLE = "meter-unreadable"
    METER_DISPLAY_DRIFT = "meter-display-drift"
    METER_CERTIFICATION_DUE = "meter-certification-due"
    READING_DOUBTFUL = "reading-doubtful"
    INVERTER_SILENT = "inverter-silent"
    NO_GENERATION = "no-generation"
    GRID_VOLTAGE_TRIPS = "grid-voltage-trips"
    LATE_START = "late-start"
    POWER_LIMITED = "power-limited"
    VALUES_STUCK = "values-stuck"
    VALUES_DRIFTING = "values-drifting"
    STRING_OPEN = "string-open"
    STRING_LOW_CURRENT = "string-low-current"
    STRING_LOW_VOLTAGE = "string-low-voltage"
    STRING_INTERMITTENT = "string-intermittent"
    MODULE_LOST = "module-lost"
    OUTPUT_LOW = "output-low"
    ENERGY_IMBALANCE = "energy-imbalance"
    SITE_RECORD_WRONG = "site-record-wrong"
    REFERENCE_SILENT = "reference-silent"
    REFERENCE_WRONG = "reference-wrong"
    CLOCK_WRONG = "clock-wrong"
    AREA_EVENT = "area-event"


class Verdict(StrEnum):
    FAULT = "fault"
    OK = "ok"
    UNKNOWN = "unknown"  # night, gap, no reference, or something else explains it


@dataclass(frozen=True, slots=True)
class VerdictRun:
    """The same verdict over a stretch of grid points.

    site, finding, subject: what is judged; a subject is a device ("meter-1") or a part ("inverter-1.input-2")
    first_ms, last_ms: first and last grid point of the run, both included
    code: why, e.g. "meter-stalled.index-still"; explanations begin with "explained."
    causes: empty, the one cause, or an honest set of at most three
    observed, expected, unit: the numbers at the run's first point; None where there is none
    loss_mwh: energy lost over the run's points [mWh], whole so that sums do not depend on how time was cut
    """

    site: str
    finding: Finding
    subject: str
    first_ms: int
    last_ms: int
    verdict: Verdict
    code: str
    causes: tuple[str, ...] = ()
    observed: float | None = None
    expected: float | None = None
    unit: str = ""
    loss_mwh: int = 0
