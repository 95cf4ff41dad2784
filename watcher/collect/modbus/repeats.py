"""Whether a device still says something, or a gateway repeats what it said long ago. Pure.

Rule: sameness alone proves nothing: at night everything stands still. A block that is the same to the last digit for
some minutes is stale only where it contradicts itself: it claims power, and its own counters do not move by what that
power would have brought, or nothing that trembles in every live installation (volts, amperes, hertz, degrees) does.
The method is our own; field case A4, frozen gateway.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watcher.domain.instant import HOUR_MS, MINUTE_MS
from watcher.domain.quantity import QUANTITIES, Kind

BELIEVED_MS = 3 * MINUTE_MS
"""For how long the same block is believed whatever it says."""

CLAIMS_W = 50.0
"""Less than this is standby, and no claim."""

COUNTS_MISSED = 2
"""So many steps of a counter must have been missed: one may be due at any moment."""

COARSEST_WH = 1000.0
"""The step of a counter that has not been seen to move yet: a whole kWh, the coarsest there is."""

TREMBLING = 3
"""So many live values must stand still, and in so many blocks in a row, where no counter tells."""

_POWERS = frozenset(name for name, quantity in QUANTITIES.items() if quantity.unit == "W" and name.endswith("_power"))
_LIVE = frozenset(name for name, quantity in QUANTITIES.items() if quantity.unit in ("V", "A", "Hz", "degC"))
_COUNTERS = frozenset(
    name for name, quantity in QUANTITIES.items() if quantity.kind is Kind.COUNTER and quantity.unit == "Wh"
)


@dataclass(frozen=True, slots=True)
class Repeated:
    """since_ms: when the block was first said. power_w: what it claims"""

    since_ms: int
    power_w: float

    def __str__(self) -> str:
        return f"gateway repeats old values: all the same to the last digit, while they claim {self.power_w:.0f} W"


class Repeats:
    """One device's blocks, in the order they came."""

    def __init__(self) -> None:
        self._block: Mapping[str, float] = {}
        self._since_ms = self._times = 0
        self._steps: dict[str, float] = {}

    def judge(self, block: Mapping[str, float], now_ms: int) -> Repeated | None:
        """block: channel to value, everything one poll brought. None: to be believed."""
        if block != self._block:
            self._learn(block)
            self._block, self._since_ms, self._times = dict(block), now_ms, 1
            return None
        self._times += 1
        lasted_ms = now_ms - self._since_ms
        power_w = max((abs(value) for name, value in block.items() if _of(name) in _POWERS), default=0.0)
        if lasted_ms < BELIEVED_MS or power_w < CLAIMS_W:
            return None
        if self._counts_missed(power_w * lasted_ms / HOUR_MS) or self._nothing_trembles():
            return Repeated(self._since_ms, power_w)
        return None

    def _learn(self, block: Mapping[str, float]) -> None:
        """The smallest step of each counter so far: what it can show."""
        for name, value in block.items():
            step = value - self._block.get(name, value)
            if step > 0 and _of(name) in _COUNTERS:
                self._steps[name] = min(step, self._steps.get(name, COARSEST_WH))

    def _counts_missed(self, claimed_wh: float) -> bool:
        counters = [name for name in self._block if _of(name) in _COUNTERS]
        if not counters:
            return False
        finest = min(self._steps.get(name, COARSEST_WH) for name in counters)
        return claimed_wh >= COUNTS_MISSED * finest

    def _nothing_trembles(self) -> bool:
        live = sum(value != 0 for name, value in self._block.items() if _of(name) in _LIVE)
        return live >= TREMBLING and self._times >= TREMBLING


def _of(channel: str) -> str:
    return channel.rpartition(".")[2]
