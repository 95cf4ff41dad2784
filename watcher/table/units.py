"""Units people write, turned into the one unit each quantity has inside.

Rule: exact. 0.027 kW is 27.0 W, never 27.000000000000004: the factor is applied to the written digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from watcher.domain.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Unit:
    """value inside = (value written + before) x factor"""

    factor: Decimal = Decimal(1)
    before: Decimal = Decimal(0)

    def inside(self, written: Decimal) -> float:
        return float((written + self.before) * self.factor)


def _scaled(**factors: str) -> dict[str, Unit]:
    return {name: Unit(Decimal(factor)) for name, factor in factors.items()}


_UNITS: dict[str, dict[str, Unit]] = {
    "W": _scaled(W="1", kW="1e3", MW="1e6"),
    "Wh": _scaled(Wh="1", kWh="1e3", MWh="1e6"),
    "A": _scaled(A="1", mA="1e-3"),
    "V": _scaled(V="1", mV="1e-3", kV="1e3"),
    "Hz": _scaled(Hz="1"),
    "ohm": _scaled(ohm="1", kohm="1e3", Mohm="1e6"),
    "degC": {
        "degC": Unit(),
        "K": Unit(before=Decimal("-273.15")),
        # Divided by 1.8 and not by 9 x 5, so that 32 and 212 come out whole.
        "degF": Unit(factor=1 / Decimal("1.8"), before=Decimal(-32)),
    },
    "W/m2": {"W/m2": Unit(), "kW/m2": Unit(Decimal(1000)), "mW/cm2": Unit(Decimal(10))},
    "m/s": {"m/s": Unit(), "km/h": Unit(1 / Decimal("3.6")), "mph": Unit(Decimal("0.44704"))},
    "hPa": _scaled(hPa="1", mbar="1", Pa="1e-2", kPa="10"),
    "%": {"%": Unit(), "1": Unit(Decimal(100))},
    "s": _scaled(s="1", min="60", h="3600"),
    "mm": _scaled(mm="1", cm="10"),
    "cm": _scaled(cm="1", mm="0.1", m="100"),
    "1": {"1": Unit()},
    "": {"": Unit()},
}


def units_of(quantity: Quantity) -> dict[str, Unit]:
    """The units a quantity may be written in, its own first."""
    return _UNITS[quantity.unit]
