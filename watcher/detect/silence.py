"""What silence and standstill mean: one table from six facts to a finding and its likely causes.

    inverter  producing / idle (awake, makes nothing) / silent
    meter     moving / still / silent / none (no meter read automatically that could tell of this inverter)
    grid      seen / absent / unknown, by the inverter's own voltage
    sun       up (enough that the inverter must work) / down
    board     heard / not heard: whether we ourselves were there to listen
    interface what powers the inverter's interface: ac / dc / unknown, learned from its nights

Rule: each fact narrows where the break is. A moving meter proves generation, whatever else is silent; a meter heard
proves mains up to the meter; an inverter awake proves its DC side. Nothing is concluded while we did not listen.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from watcher.domain.finding import Finding


class InverterFact(Enum):
    PRODUCING = "producing"
    IDLE = "idle"
    SILENT = "silent"


class MeterFact(Enum):
    MOVING = "moving"
    STILL = "still"
    SILENT = "silent"
    NONE = "none"


class GridFact(Enum):
    SEEN = "seen"
    ABSENT = "absent"
    UNKNOWN = "unknown"


class SunFact(Enum):
    UP = "up"
    DOWN = "down"


class BoardFact(Enum):
    HEARD = "heard"
    NOT_HEARD = "not-heard"


class InterfaceFact(Enum):
    AC = "ac"
    DC = "dc"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Outcome:
    """finding: None where nothing is wrong or nothing can be said. causes: likeliest first, at most three."""

    finding: Finding | None = None
    causes: tuple[str, ...] = ()


NOTHING = Outcome()
HOME_OFFLINE = Outcome(None, ("home-offline",))
CONTRADICTION = Outcome(None, ("meter-moves-without-inverter",))


def decide(
    inverter: InverterFact,
    meter: MeterFact,
    grid: GridFact,
    sun: SunFact,
    board: BoardFact,
    interface: InterfaceFact,
) -> Outcome:
    """Where the break is."""
    if board is BoardFact.NOT_HEARD:
        return HOME_OFFLINE
    if inverter is InverterFact.PRODUCING:
        return _PRODUCING[meter]
    if sun is SunFact.DOWN:
        return NOTHING  # an inverter at rest or asleep: night is normal
    if inverter is InverterFact.SILENT:
        return _SILENT_STILL[interface] if meter is MeterFact.STILL else _SILENT[meter]
    if meter is MeterFact.MOVING:
        return CONTRADICTION  # something else feeds this meter, or the inverter's power is not to be believed
    return _IDLE_OFF[meter] if grid is GridFact.ABSENT else _IDLE


_PRODUCING = {
    MeterFact.MOVING: NOTHING,
    MeterFact.NONE: NOTHING,
    MeterFact.STILL: Outcome(Finding.METER_STALLED, ("register-still",)),
    MeterFact.SILENT: Outcome(Finding.METER_SILENT, ("not-heard",)),
}
_IDLE = Outcome(Finding.NO_GENERATION, ("not-running",))
_IDLE_OFF = {
    # The meter is heard, so the mains reaches it: the break is the isolator between meter and inverter.
    MeterFact.STILL: Outcome(Finding.NO_GENERATION, ("ac-side-off",)),
    MeterFact.NONE: Outcome(Finding.NO_GENERATION, ("ac-side-off",)),
    # The meter is dark too: the circuit is off before it.
    MeterFact.SILENT: Outcome(Finding.NO_GENERATION, ("circuit-off-upstream",)),
}
_SILENT_STILL = {
    # Dark in daylight although the sun powers it: no DC reaches it, or it is dead.
    InterfaceFact.DC: Outcome(Finding.NO_GENERATION, ("dc-side-off",)),
    InterfaceFact.AC: Outcome(Finding.NO_GENERATION, ("ac-side-off",)),
    InterfaceFact.UNKNOWN: Outcome(Finding.NO_GENERATION, ("dc-side-off", "ac-side-off")),
}
_SILENT = {
    MeterFact.MOVING: Outcome(Finding.INVERTER_SILENT, ("link-to-inverter",)),
    MeterFact.SILENT: Outcome(Finding.INVERTER_SILENT, ("bus-or-gateway", "circuit-off-upstream")),
    MeterFact.NONE: Outcome(Finding.INVERTER_SILENT, ("link-to-inverter", "dc-side-off")),
}
