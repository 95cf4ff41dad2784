"""The words of a probe read by a register map, and read again by a changed one.

Rule: a suspicion is a second reading of the same words, so nothing here asks the device anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from watcher.collect.modbus.blocks import Span
from watcher.collect.modbus.map_numbers import decoder
from watcher.collect.modbus.register_map import MapPoint, NumberType, Order, RegisterMap
from watcher.collect.modbus.registers import scale_factor, scaled
from watcher.probe.seen import Facts, Sample, UnitSeen
from watcher.table.units import Unit

FREQUENCY, VOLTAGE = "frequency", "ac_voltage"
ANCHORS = (FREQUENCY, VOLTAGE)
"""Quantities the public grid holds near a known value, whatever the sun does."""


def words_of(sample: Sample, span: Span) -> tuple[int, ...] | None:
    """The registers of a span; None where one of them was not answered."""
    found = [sample.words.get((span.table, address)) for address in range(span.first, span.end)]
    return None if None in found else tuple(word for word in found if word is not None)


def value(point: MapPoint, sample: Sample) -> float | None:
    """What a point says in the unit of its quantity, or None where there is nothing."""
    words = words_of(sample, point.value)
    read = None if words is None else decoder(point)(words)
    if read is None or point.scale_register is None:
        return None if read is None else float(read)
    factor = words_of(sample, point.scale_register)
    power = None if factor is None else scale_factor(factor)
    return None if power is None else float(scaled(read, power)) + 0.0


def number(point: MapPoint, sample: Sample) -> float | None:
    """The bare number in a point's registers, before sentinel, scale and unit."""
    bare = replace(
        point, scale=Decimal(1), scale_register=None, unit=Unit(), sentinels=frozenset(), states=None, bits=None
    )
    return value(bare, sample)


@dataclass(frozen=True, slots=True)
class Readout:
    """A unit's samples under one reading of its registers."""

    registers: RegisterMap
    samples: tuple[Sample, ...]
    facts: Facts
    standard: bool = False

    @classmethod
    def of(cls, seen: UnitSeen, registers: RegisterMap) -> Readout:
        return cls(registers, seen.samples, seen.facts, seen.standard)

    @property
    def points(self) -> tuple[MapPoint, ...]:
        """What is worth reading, and was answered."""
        return tuple(p for p in self.registers.read_points() if self.words(p)[0] is not None)

    @property
    def silent(self) -> tuple[MapPoint, ...]:
        """What the device did not answer."""
        return tuple(p for p in self.registers.read_points() if self.words(p)[0] is None)

    @property
    def elapsed_s(self) -> float:
        return (self.samples[-1].time_ms - self.samples[0].time_ms) / 1000.0

    def words(self, point: MapPoint) -> tuple[tuple[int, ...] | None, ...]:
        return tuple(words_of(sample, point.value) for sample in self.samples)

    def values(self, point: MapPoint) -> tuple[float, ...]:
        """The values there are, in order of time."""
        return tuple(v for sample in self.samples if (v := value(point, sample)) is not None)

    def numbers(self, point: MapPoint) -> tuple[float, ...]:
        return tuple(v for sample in self.samples if (v := number(point, sample)) is not None)

    def find(self, name: str) -> MapPoint | None:
        return next((point for point in self.points if point.name == name), None)

    def mean(self, name: str) -> float | None:
        """The mean of a point's values; None where there are none."""
        point = self.find(name)
        values = self.values(point) if point else ()
        return sum(values) / len(values) if values else None

    def of_quantity(self, *quantities: str) -> tuple[MapPoint, ...]:
        return tuple(point for point in self.points if point.quantity.name in quantities)

    def parts(self, quantity: str) -> Mapping[str, float]:
        """Mean by part, "input-1" or "l1", of a quantity that has parts."""
        found = {}
        for point in self.of_quantity(quantity):
            part, mean = point.name.rpartition(".")[0], self.mean(point.name)
            if part and mean is not None:
                found[part] = mean
        return found

    def changed(self, changes: Mapping[str, MapPoint]) -> Readout:
        """The same words with some points read otherwise, by name."""
        points = tuple(changes.get(point.name, point) for point in self.registers.points)
        return replace(self, registers=replace(self.registers, points=points))


def turned(order: Order) -> Order:
    return Order.LOW_FIRST if order is Order.HIGH_FIRST else Order.HIGH_FIRST


def shifted(point: MapPoint, by: int) -> MapPoint:
    """The same point some registers further on; its address in the manual stays as it is written."""
    factor = point.scale_register
    return replace(
        point,
        value=replace(point.value, first=point.value.first + by),
        scale_register=None if factor is None else replace(factor, first=factor.first + by),
    )


def of_type(point: MapPoint, type: NumberType) -> MapPoint:
    return replace(point, type=type, sentinels=frozenset())


def hex_words(words: Sequence[int]) -> str:
    return " ".join(f"{word:04X}" for word in words)


def names(points: Iterable[MapPoint]) -> tuple[str, ...]:
    return tuple(point.name for point in points)
