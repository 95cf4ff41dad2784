"""Whether a value can be what it is taken for, in a home and with what is known of it.

Rule: a nought says nothing, for everything sleeps at night; a value is odd only where no home could show it. The grid's
limits are those inverters in the UK must trip at, widened (G98: 47 to 52 Hz; voltage from memory); the rest is common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum, auto

from watcher.collect.modbus.register_map import MapPoint
from watcher.probe.readout import Readout
from watcher.probe.seen import GENERATION_METER, INVERTER, Facts

TINY = 1e-6
"""No register of a house means a number so close to nothing; floats read in the wrong order do."""

HOME_W = 30_000.0
"""More than a home's inverter gives."""

LIFETIME_H = 30 * 1300.0
"""Thirty years of a very sunny roof, in hours at full rating."""


class Fit(Enum):
    FITS = auto()
    ODD = auto()
    SILENT = auto()  # absent or nought throughout


def fit_of(readout: Readout, point: MapPoint) -> Fit:
    """How a point's values look in all samples together."""
    return fit(point, readout.values(point), readout.facts)


def fit(point: MapPoint, values: Sequence[float], facts: Facts) -> Fit:
    telling = [value for value in values if value != 0]
    if not telling:
        return Fit.SILENT
    bands = _bands(point, facts)
    good = all(abs(v) >= TINY and any(low <= v <= high for low, high in bands) for v in telling)
    return Fit.FITS if good else Fit.ODD


def _bands(point: MapPoint, facts: Facts) -> tuple[tuple[float, float], ...]:
    part, _, quantity = point.name.rpartition(".")
    if quantity == "ac_voltage":
        return ((190.0, 275.0),) if part else ((190.0, 275.0), (340.0, 460.0))
    return (_band(quantity, part, point, facts),)


def _band(quantity: str, part: str, point: MapPoint, facts: Facts) -> tuple[float, float]:
    rating, peak, input = facts.rating_w, facts.peak_w, facts.inputs.get(part)
    most_w = 1.3 * rating if rating else HOME_W
    house_w = 100_000.0
    match quantity:
        case "frequency":
            return 47.0, 52.0
        case "ac_power":
            if facts.role == INVERTER:
                return -max(200.0, 0.1 * most_w) if not facts.battery_on_dc else -most_w, most_w
            return (-most_w, most_w) if facts.role == GENERATION_METER else (-house_w, house_w)
        case "load_power" | "grid_power":
            return -house_w, house_w
        case "ac_current":
            most_a = most_w / 190.0 if rating else 150.0
            return -most_a, most_a
        case "dc_power":
            most = 1.3 * (input.peak_w if input and input.peak_w else peak or HOME_W)
            return -50.0, most
        case "dc_voltage":
            return -5.0, 1.6 * input.string_v if input and input.string_v else 1100.0
        case "dc_current":
            return -1.0, 1.6 * input.string_a if input and input.string_a else 60.0
        case "temp_heatsink" | "temp_cabinet":
            return -30.0, 120.0
        case "energy_today":
            return 0.0, 24.0 * most_w
        case "ac_energy":
            return 0.0, LIFETIME_H * (peak or rating or HOME_W)
        case "energy_index" | "energy_import" | "energy_export":
            return 0.0, LIFETIME_H * HOME_W
    return point.quantity.low, point.quantity.high
