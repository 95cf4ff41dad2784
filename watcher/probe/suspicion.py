"""A thing that looks wrong: a stable word, a sentence, the numbers it rests on, and what would put it right.

Rule: a suspicion is never more than that. Its fix is written in the map's own keys and is applied only when asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum

from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.map_numbers import sentinel
from watcher.collect.modbus.register_map import Counting, MapPoint, NumberType, Order, RegisterMap
from watcher.probe.readout import shifted
from watcher.table.units import units_of


class Suspect(StrEnum):
    """The words are stable: they are what --fix takes and what support asks for."""

    SENTINEL = "sentinel-as-value"
    WRONG_TABLE = "wrong-table"
    OFF_BY_ONE = "off-by-one"
    BYTE_ORDER = "byte-order"
    WORD_ORDER = "word-order"
    SIGNED = "signed-as-unsigned"
    UNSIGNED = "unsigned-as-signed"
    FACTOR = "factor-of-ten"
    KILO = "kilo-unit"
    SIGN = "sign-turned"
    SWAPPED_INPUTS = "swapped-inputs"
    IMPORT_EXPORT = "import-export-swapped"
    CLAMP = "clamp-reversed"
    FALLS = "counter-falls"
    STANDS = "counter-stands"
    IMPLAUSIBLE = "implausible"
    NOT_ANSWERED = "not-answered"


@dataclass(frozen=True, slots=True)
class Fix:
    """One key of one point. name: the point's; value: as the map file takes it, "" for an `address` moved by `by`."""

    name: str
    key: str
    value: object = ""
    by: int = 0

    def __str__(self) -> str:
        if self.by:
            return f"{self.key} {self.by:+d}"
        if isinstance(self.value, bool):
            return f"{self.key} = {str(self.value).lower()}"
        if isinstance(self.value, tuple):
            return f"{self.key} = [{', '.join(str(one) for one in self.value)}]"
        return f'{self.key} = "{self.value}"' if isinstance(self.value, str) else f"{self.key} = {self.value}"


@dataclass(frozen=True, slots=True)
class Suspicion:
    """points: names. evidence: short lines of numbers. fixes: none where no map can help. advice: what else to do.

    whole: the fix as it reads for the whole device (a key of [device]), where all points share it
    """

    suspect: Suspect
    points: tuple[str, ...]
    sentence: str
    evidence: tuple[str, ...] = ()
    fixes: tuple[Fix, ...] = ()
    advice: str = ""
    whole: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """untold: what could not be told, as sentences. fixed: the map with every fix applied."""

    suspicions: tuple[Suspicion, ...] = ()
    untold: tuple[str, ...] = ()
    fixed: RegisterMap | None = field(default=None, compare=False)


def applied(registers: RegisterMap, suspicion: Suspicion) -> RegisterMap:
    """The map with a suspicion's fixes in it."""
    points = {point.name: point for point in registers.points}
    for fix in suspicion.fixes:
        points[fix.name] = _applied(points[fix.name], fix)
    return replace(registers, points=tuple(points.values()))


def _applied(point: MapPoint, fix: Fix) -> MapPoint:
    written = fix.value
    match fix.key:
        case "address":
            return replace(shifted(point, fix.by), address=point.address + fix.by)
        case "address_base":
            return shifted(point, fix.by)
        case "word_order":
            return replace(point, word_order=Order(str(written)))
        case "byte_order":
            return replace(point, byte_order=Order(str(written)))
        case "type":
            return replace(point, type=NumberType(str(written)), sentinels=frozenset())
        case "scale":
            return replace(point, scale=Decimal(str(written)) * (-1 if point.scale < 0 else 1), scale_register=None)
        case "sign":
            return replace(point, scale=-point.scale)
        case "unit":
            return replace(point, unit=units_of(point.quantity)[str(written)])
        case "sentinels":
            listed = written if isinstance(written, tuple) else ()
            return replace(point, sentinels=frozenset(sentinel(point.type, one) for one in listed))
        case "part":
            return replace(point, name=f"{written}.{point.quantity.name}")
        case "quantity":
            return replace(point, name=str(written))
        case "counter":
            return replace(point, counter=Counting(str(written)))
        case "function":
            table = Table(int(str(written)))
            factor = point.scale_register
            return replace(
                point,
                value=replace(point.value, table=table),
                scale_register=None if factor is None else replace(factor, table=table),
            )
    raise ValueError(f"no map has a key {fix.key!r} that can be put right")


def grouped(fixes: tuple[Fix, ...]) -> Mapping[str, tuple[str, ...]]:
    """The points of each change, for a list that says each change once."""
    found: dict[str, list[str]] = {}
    for fix in fixes:
        found.setdefault(str(fix), []).append(fix.name)
    return {change: tuple(points) for change, points in found.items()}
