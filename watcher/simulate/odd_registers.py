"""An inverter's values put into registers the way its maker would, and the slips between device and manual.

Rule: a fault is a device built otherwise than its register map says. The values stay those of a sound plant, so what a
reader makes of them can be compared with the truth.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from enum import StrEnum

from watcher.collect.modbus.blocks import Span, Table
from watcher.collect.modbus.register_map import MapPoint, NumberType, Order, RegisterMap


class TimeOfDay(StrEnum):
    NOON = "noon"
    DUSK = "dusk"
    NIGHT = "night"


class Slip(StrEnum):
    """How a device can differ from its map."""

    NONE = "none"
    WORD_ORDER = "word-order"
    BYTE_ORDER = "byte-order"
    OFF_BY_ONE = "off-by-one"
    WRONG_TABLE = "wrong-table"
    FACTOR = "factor-of-ten"
    KILO = "kilo-unit"
    SIGN = "sign-turned"
    SENTINEL = "sentinel-as-value"
    SWAPPED_INPUTS = "swapped-inputs"
    STANDS = "counter-stands"
    FALLS = "counter-falls"


ABSENT = "absent"
"""Stands for a value the device does not have, which it writes as all ones."""

Values = Mapping[str, float | str]


def plant(time: TimeOfDay, moment: int) -> dict[str, float | str]:
    """What a sound inverter with two inputs shows at a moment; power moves by a watt or two from one to the next."""
    energy_wh = 12_345_678.0
    grid: dict[str, float | str] = {"frequency": 50.01, "l1.ac_voltage": 241.3}
    match time:
        case TimeOfDay.NIGHT:
            asleep = dict.fromkeys(("frequency", "l1.ac_voltage", "ac_current", "ac_power"), 0.0)
            inputs = dict.fromkeys((f"input-{n}.dc_{q}" for n in (1, 2) for q in ("voltage", "current", "power")), 0.0)
            return {**asleep, **inputs, "ac_energy": energy_wh, "temp_heatsink": 6.4, "operating_state": 0}
        case TimeOfDay.DUSK:
            ones = {"ac_power": 52.0 + moment, "ac_current": 0.61, "ac_energy": energy_wh, "temp_heatsink": 14.2}
            strings = _inputs((231.4, 0.14), (172.6, 0.16))
        case TimeOfDay.NOON:
            watts = 2345.0 + 2 * moment
            ones = {"ac_power": watts, "ac_current": watts / 241.3, "temp_heatsink": 41.7}
            ones["ac_energy"] = energy_wh + 3 * moment
            strings = _inputs((238.2, 5.68), (179.5, 6.1))
    return {**grid, **ones, **strings, "operating_state": 2}


def _inputs(*strings: tuple[float, float]) -> dict[str, float]:
    shown: dict[str, float] = {}
    for number, (volts, amps) in enumerate(strings, start=1):
        shown |= {f"input-{number}.dc_voltage": volts, f"input-{number}.dc_current": amps}
        shown[f"input-{number}.dc_power"] = volts * amps
    return shown


def as_built(registers: RegisterMap, slip: Slip) -> RegisterMap:
    """The map the device really follows, where its manual says `registers`."""
    change = _BUILT.get(slip)
    if change is None:
        return registers
    return replace(registers, points=tuple(change(point) for point in registers.points))


def _only(quantity: str, change: Callable[[MapPoint], MapPoint]) -> Callable[[MapPoint], MapPoint]:
    return lambda point: change(point) if point.quantity.name == quantity else point


def _moved(point: MapPoint) -> MapPoint:
    return replace(point, value=replace(point.value, first=point.value.first - 1))


def _in_other_table(point: MapPoint) -> MapPoint:
    other = Table.HOLDING if point.value.table is Table.INPUT else Table.INPUT
    return replace(point, value=replace(point.value, table=other))


def _exchanged(point: MapPoint) -> MapPoint:
    part, _, quantity = point.name.rpartition(".")
    others = {"input-1": "input-2", "input-2": "input-1"}
    return replace(point, name=f"{others[part]}.{quantity}") if part in others else point


_BUILT: Mapping[Slip, Callable[[MapPoint], MapPoint]] = {
    Slip.WORD_ORDER: lambda point: replace(point, word_order=Order.LOW_FIRST),
    Slip.BYTE_ORDER: lambda point: replace(point, byte_order=Order.LOW_FIRST),
    Slip.OFF_BY_ONE: _moved,
    Slip.WRONG_TABLE: _in_other_table,
    Slip.FACTOR: _only("ac_voltage", lambda point: replace(point, scale=point.scale * 10)),
    Slip.KILO: _only("ac_power", lambda point: replace(point, scale=point.scale * 1000)),
    Slip.SIGN: _only("ac_power", lambda point: replace(point, scale=-point.scale)),
    Slip.SWAPPED_INPUTS: _exchanged,
}


def shown(values: Values, slip: Slip, moment: int) -> dict[str, float | str]:
    """Values as a device with a slip shows them, where it is not the place or form that is wrong."""
    changed = dict(values)
    energy = values.get("ac_energy", 0.0)
    if slip is Slip.SENTINEL:
        changed["input-2.dc_current"] = ABSENT
    elif slip is Slip.STANDS:
        changed["ac_energy"] = 12_345_678.0
    elif slip is Slip.FALLS:
        changed["ac_energy"] = float(energy) - 40.0 * moment
    return changed


def words(registers: RegisterMap, values: Values) -> dict[tuple[Table, int], int]:
    """The registers of every point that has a value."""
    found: dict[tuple[Table, int], int] = {}
    for point in registers.points:
        if point.name in values:
            for at, word in enumerate(encoded(point, values[point.name])):
                found[point.value.table, point.value.first + at] = word
    return found


def encoded(point: MapPoint, value: float | str) -> list[int]:
    """A value as the registers of a point. ValueError where it does not fit."""
    size = point.type.size
    if value == ABSENT:
        packed = b"\xff" * (2 * size)
    else:
        written = Decimal(repr(float(value))) / point.unit.factor - point.unit.before
        raw = written / (point.scale or 1)
        if point.type.is_float:
            packed = struct.pack(">f" if point.type is NumberType.FLOAT32 else ">d", float(raw))
        else:
            try:
                packed = round(raw).to_bytes(2 * size, "big", signed=point.type.is_signed)
            except OverflowError:
                raise ValueError(f"{point.name} = {value} does not fit {point.type}") from None
    found = list(struct.unpack(f">{size}H", packed))
    if point.byte_order is Order.LOW_FIRST:
        found = [(word & 0xFF) << 8 | word >> 8 for word in found]
    return found[::-1] if point.word_order is Order.LOW_FIRST else found


def span_of(registers: RegisterMap, table: Table) -> Span | None:
    """From the first to the last register of a table; None where it has none."""
    spans = [point.value for point in registers.points if point.value.table is table]
    if not spans:
        return None
    first = min(span.first for span in spans)
    return Span(first, max(span.end for span in spans) - first, table)
