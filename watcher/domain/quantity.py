"""What can be measured, under which name and in which unit; and how a channel is named.

The names follow IEC 61724-1, SunSpec and pvlib (DEVELOPERS.md has the table). Adding a quantity is one line here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    GAUGE = "gauge"  # a momentary value, or a mean over a period
    COUNTER = "counter"  # a register that only counts up: energy exists only between two readings
    DAY_COUNTER = "day-counter"  # a register that starts again at the device's own midnight
    STATE = "state"  # a number from a list
    BITS = "bits"  # a number whose bits have meanings


@dataclass(frozen=True, slots=True)
class Quantity:
    """name, unit ("" for a pure number), kind, and the range outside which a value is no measurement."""

    name: str
    unit: str
    kind: Kind
    low: float
    high: float


def _table(*rows: Quantity) -> dict[str, Quantity]:
    return {row.name: row for row in rows}


_G, _C = Kind.GAUGE, Kind.COUNTER
_ENERGY_TOP = 1e13  # Wh: ten terawatt hours; a house never gets there, a sentinel does

QUANTITIES = _table(
    Quantity("ac_power", "W", _G, -1e7, 1e7),
    Quantity("dc_power", "W", _G, -1e5, 1e7),
    Quantity("dc_current", "A", _G, -100, 1e4),
    Quantity("dc_voltage", "V", _G, -50, 2000),
    Quantity("ac_voltage", "V", _G, 0, 1000),
    Quantity("ac_current", "A", _G, -1e4, 1e4),
    Quantity("frequency", "Hz", _G, 0, 100),
    Quantity("insulation_resistance", "ohm", _G, 0, 1e9),
    Quantity("temp_heatsink", "degC", _G, -60, 200),
    Quantity("temp_cabinet", "degC", _G, -60, 200),
    Quantity("ac_energy", "Wh", _C, 0, _ENERGY_TOP),
    Quantity("energy_today", "Wh", Kind.DAY_COUNTER, 0, 1e9),
    Quantity("operating_state", "", Kind.STATE, 0, 65534),
    Quantity("event_bits", "", Kind.BITS, 0, 2**32 - 1),
    Quantity("energy_index", "Wh", _C, 0, _ENERGY_TOP),
    Quantity("energy_import", "Wh", _C, 0, _ENERGY_TOP),
    Quantity("energy_export", "Wh", _C, 0, _ENERGY_TOP),
    Quantity("battery_charge_energy", "Wh", _C, 0, _ENERGY_TOP),
    Quantity("battery_discharge_energy", "Wh", _C, 0, _ENERGY_TOP),
    Quantity("pulse_count", "1", _C, 0, 1e15),
    Quantity("state_of_charge", "%", _G, 0, 100),
    Quantity("load_power", "W", _G, -1e6, 1e7),
    Quantity("grid_power", "W", _G, -1e7, 1e7),
    Quantity("ghi", "W/m2", _G, -20, 2000),
    Quantity("dni", "W/m2", _G, -20, 2000),
    Quantity("dhi", "W/m2", _G, -20, 1500),
    Quantity("poa_irradiance", "W/m2", _G, -20, 2000),
    Quantity("temp_air", "degC", _G, -60, 60),
    Quantity("temp_module", "degC", _G, -60, 120),
    Quantity("wind_speed", "m/s", _G, -1, 75),
    Quantity("pressure", "hPa", _G, 500, 1100),
    Quantity("relative_humidity", "%", _G, 0, 105),
    Quantity("rain", "mm", _G, 0, 500),
    Quantity("snow_depth", "cm", _G, 0, 1000),
    Quantity("uptime", "s", _G, 0, 1e11),
    Quantity("sites_near", "1", _G, 0, 1e5),
    Quantity("sites_dark", "1", _G, 0, 1e5),
)

WEATHER_DEVICES = ("weather-analysis", "weather-nowcast", "weather-forecast")
"""Three devices that every site has without naming them, best first: each has its own error."""

BOARD = "board"
"""The computer this program runs on. It says every five minutes that it was there to listen (board.uptime), and of a
device behind a broker that the broker was reached (board.inverter-1.uptime)."""

_PART = r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*"
_CHANNEL = re.compile(rf"({_PART})(?:\.({_PART}))?\.([a-z_]+)")
NAME = re.compile(_PART)
"""How devices, sites and arrays are named: lower case, digits, hyphens."""


@dataclass(frozen=True, slots=True)
class Channel:
    """`<device>[.<part>].<quantity>`, e.g. inverter-1.input-2.dc_current or meter-1.energy_index."""

    device: str
    part: str | None
    quantity: Quantity

    def __str__(self) -> str:
        return ".".join(filter(None, (self.device, self.part, self.quantity.name)))


def channel(name: str) -> Channel:
    """Take a channel name apart. ValueError where it is none or the quantity is unknown."""
    match = _CHANNEL.fullmatch(name)
    if match is None:
        raise ValueError(f"{name!r} is no channel; a channel is <device>[.<part>].<quantity>, lower case")
    device, part, quantity = match.groups()
    if quantity not in QUANTITIES:
        raise ValueError(f"{name!r}: {quantity!r} is no known quantity")
    return Channel(device, part, QUANTITIES[quantity])
