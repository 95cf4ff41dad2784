"""What a probe saw: the registers of one unit, a few times over, and what is known of the site it belongs to.

Rule: words are kept as they came, with their time; everything else is worked out from them again, so that a saved
probe can be judged at a desk exactly as it was beside the inverter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.register_map import RegisterMap

Place = tuple[Table, int]
"""One register: its table and its zero-based address."""

INVERTER, GENERATION_METER, METER, UNKNOWN = "inverter", "generation-meter", "meter", "unknown"
ROLES = (INVERTER, GENERATION_METER, METER, UNKNOWN)


@dataclass(frozen=True, slots=True)
class InputFacts:
    """One input of an inverter, from the site file; None where that does not say.

    string_v: modules in series times their voltage at the power point [V]
    string_a: strings side by side times their current at the power point [A]
    peak_w: rating of the modules at this input [W]
    """

    string_v: float | None = None
    string_a: float | None = None
    peak_w: float | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a device from its site file; nothing for a device nobody has described.

    rating_w: what the inverter, or the inverters behind a meter, can give [W]
    inputs: by part, "input-1"
    counts: which register of a generation meter counts up when the panels make, "exported" or "imported"
    battery_on_dc: whether a battery hangs on the inverter's DC side, so that panels and grid need not agree
    """

    role: str = UNKNOWN
    rating_w: float | None = None
    inputs: Mapping[str, InputFacts] = field(default_factory=dict)
    counts: str = "exported"
    battery_on_dc: bool = False

    @property
    def peak_w(self) -> float | None:
        peaks = [one.peak_w for one in self.inputs.values() if one.peak_w is not None]
        return sum(peaks) if peaks else None


@dataclass(frozen=True, slots=True)
class Sample:
    """Everything read at one time. words: register by place; what was refused is absent."""

    time_ms: int
    words: Mapping[Place, int]


@dataclass(frozen=True, slots=True)
class UnitSeen:
    """One unit as it was read.

    registers: what its registers are taken for; None where nobody knows, and words were merely collected
    standard: whether the device described itself (SunSpec)
    identity: maker, model and version as the device writes them
    notes: oddities met while reading, as sentences
    """

    unit: int
    registers: RegisterMap | None
    samples: tuple[Sample, ...]
    facts: Facts = field(default_factory=Facts)
    standard: bool = False
    identity: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
