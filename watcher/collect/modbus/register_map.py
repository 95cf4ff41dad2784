"""A register map: where a device that speaks no standard keeps what it measures, and what its registers mean.

Rule: the map says everything (table, type, order, scale, absent codes) and nothing is guessed from the device. Pure;
config/map_file.py reads the file, map_numbers.py the registers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from watcher.collect.modbus.blocks import MOST, Span
from watcher.domain.quantity import QUANTITIES, Kind, Quantity
from watcher.table.units import Unit

SUNSPEC = "sunspec"
"""The one map every program has: the device describes itself. No file can have its name."""


class Order(StrEnum):
    """Which end of a number comes first: of its registers, or of the two bytes in each."""

    HIGH_FIRST = "high-first"
    LOW_FIRST = "low-first"


class NumberType(StrEnum):
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def bits(self) -> int:
        return int(self[-2:])

    @property
    def size(self) -> int:
        """Registers it takes."""
        return self.bits // 16

    @property
    def is_float(self) -> bool:
        return self in (NumberType.FLOAT32, NumberType.FLOAT64)

    @property
    def is_signed(self) -> bool:
        return not self.startswith("u")

    @property
    def range(self) -> tuple[int, int]:
        """Lowest and highest whole number of an integer type."""
        top = 1 << self.bits - self.is_signed
        return (-top if self.is_signed else 0), top - 1


class Counting(StrEnum):
    """What is known of a register that should count energy."""

    LIFETIME = "lifetime"  # it only ever counts up
    NONE = "none"  # it stands in the manual and does not count: it is not read


@dataclass(frozen=True, slots=True)
class MapPoint:
    """One value of a device.

    name: its channel without the device: "ac_power", "input-1.dc_current"
    address: as the device's manual writes it, for messages. value, scale_register: where it and its power of ten stand
    scale: what one step of the register is worth in its unit, with the sign that makes it ours
    unit: from the register's unit to the quantity's
    sentinels: what the register holds where there is no value, as the number it reads as
    states, bits: theirs to ours, for an operating state and for event bits; a number or bit not listed says nothing
    includes_battery_discharge: whether a counter also counts what a battery gave; None where that is not known
    """

    name: str
    address: int
    type: NumberType
    value: Span
    word_order: Order = Order.HIGH_FIRST
    byte_order: Order = Order.HIGH_FIRST
    scale: Decimal = Decimal(1)
    scale_register: Span | None = None
    unit: Unit = field(default_factory=Unit)
    sentinels: frozenset[int | float] = frozenset()
    states: Mapping[int, int] | None = None
    bits: Mapping[int, int] | None = None
    counter: Counting = Counting.LIFETIME
    includes_battery_discharge: bool | None = None

    @property
    def quantity(self) -> Quantity:
        return QUANTITIES[self.name.rpartition(".")[2]]

    @property
    def label(self) -> str:
        """For the log: "ac_power at 40"."""
        return f"{self.name} at {self.address}"


@dataclass(frozen=True, slots=True)
class CounterFact:
    """What is known of one counter of a device: `name` as in MapPoint."""

    name: str
    counter: Counting
    includes_battery_discharge: bool | None


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """name: the map's file without its ending. max_registers: one request may ask for so many."""

    name: str
    description: str
    points: tuple[MapPoint, ...]
    max_registers: int = MOST

    def facts(self) -> tuple[CounterFact, ...]:
        """Of every counter the manual has, the ones that do not count included."""
        return tuple(
            CounterFact(point.name, point.counter, point.includes_battery_discharge)
            for point in self.points
            if counts(point.quantity)
        )

    def read_points(self) -> tuple[MapPoint, ...]:
        """What is worth asking for: everything but counters that do not count."""
        return tuple(p for p in self.points if not (counts(p.quantity) and p.counter is Counting.NONE))


def counts(quantity: Quantity) -> bool:
    """Whether a quantity is read from a register that only counts up."""
    return quantity.kind is Kind.COUNTER
