"""Faults by script: what may go wrong with the simulated home, when, and what it is called in truth.

Rule: a fault begins and ends on a whole minute, because the world has one state a minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from watcher.domain.finding import Finding


class FaultKind(StrEnum):
    INPUT_OPEN = "input-open"
    PARALLEL_STRING_OPEN = "parallel-string-open"
    GENERATION_OFF = "generation-off"
    METER_STALLED = "meter-stalled"
    METER_SILENT = "meter-silent"
    INVERTER_SILENT = "inverter-silent"
    COUNTER_DIP = "counter-dip"
    COUNTER_RESTART = "counter-restart"
    WEATHER_DOWN = "weather-down"
    WEATHER_LATE = "weather-late"
    WEATHER_NULL = "weather-null"


PLANT_FAULTS = frozenset({FaultKind.INPUT_OPEN, FaultKind.PARALLEL_STRING_OPEN, FaultKind.GENERATION_OFF})
"""Those that keep the plant from making energy."""

KEYS: dict[FaultKind, tuple[str, ...]] = {
    FaultKind.INPUT_OPEN: ("input", "voltage"),
    FaultKind.PARALLEL_STRING_OPEN: ("input", "strings"),
    FaultKind.GENERATION_OFF: ("side",),
    FaultKind.METER_STALLED: (),
    FaultKind.METER_SILENT: (),
    FaultKind.INVERTER_SILENT: (),
    FaultKind.COUNTER_DIP: ("device", "reads_wh"),
    FaultKind.COUNTER_RESTART: ("device", "serial"),
    FaultKind.WEATHER_DOWN: ("retry_after_s",),
    FaultKind.WEATHER_LATE: ("hours",),
    FaultKind.WEATHER_NULL: (),
}
"""What a fault of each kind may say besides kind, at and until."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One line of the script.

    at_ms, until_ms: first instant with the fault, first instant without; None: never repaired
    input, strings: which input; how many of its parallel strings
    voltage: what stands on an open input
    side: where generation was switched off
    device, reads_wh, serial: whose counter; what it shows in a dip; the serial number after a restart
    hours: how late the weather is. retry_after_s: what the refused weather request is told; 0 for nothing
    """

    kind: FaultKind
    at_ms: int
    until_ms: int | None = None
    input: int = 1
    strings: int = 1
    voltage: Literal["open-circuit", "none", "drifting"] = "open-circuit"
    side: Literal["ac", "dc"] = "ac"
    device: Literal["inverter-1", "meter-1"] = "inverter-1"
    reads_wh: int = 0
    serial: str = ""
    hours: float = 3.0
    retry_after_s: int = 0

    def active(self, time_ms: int) -> bool:
        return self.at_ms <= time_ms and (self.until_ms is None or time_ms < self.until_ms)

    @property
    def finding(self) -> Finding | None:
        """What a watcher should call it; None where there is nothing to find."""
        match self.kind:
            case FaultKind.INPUT_OPEN | FaultKind.PARALLEL_STRING_OPEN:
                return Finding.STRING_OPEN
            case FaultKind.GENERATION_OFF:
                return Finding.NO_GENERATION
            case FaultKind.METER_STALLED:
                return Finding.METER_STALLED
            case FaultKind.METER_SILENT:
                return Finding.METER_SILENT
            case FaultKind.INVERTER_SILENT:
                return Finding.INVERTER_SILENT
        return None

    @property
    def subject(self) -> str:
        match self.finding:
            case Finding.STRING_OPEN:
                return f"inverter-1.input-{self.input}"
            case Finding.METER_STALLED | Finding.METER_SILENT:
                return "meter-1"
        return "inverter-1"

    @property
    def cause(self) -> str:
        match self.kind:
            case FaultKind.INPUT_OPEN:
                return f"voltage-{self.voltage}"
            case FaultKind.PARALLEL_STRING_OPEN:
                return "parallel-string"
            case FaultKind.GENERATION_OFF:
                return f"{self.side}-side-off"
            case FaultKind.METER_STALLED:
                return "register-still"
            case FaultKind.METER_SILENT:
                return "not-heard"
            case FaultKind.INVERTER_SILENT:
                return "link-to-inverter"
        return ""
