"""A register map as the text of its file, in the form config/devices explains.

Rule: what is written reads back as the same map; config/map_file.py is the judge of that. Every point carries a comment
with what was seen in it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import TypeVar

from watcher.collect.modbus.blocks import MOST, Table
from watcher.collect.modbus.register_map import Counting, MapPoint, Order, RegisterMap, counts
from watcher.table.units import Unit, units_of

_T = TypeVar("_T")


def map_text(
    registers: RegisterMap, comments: Mapping[str, Sequence[str]] | None = None, top: Iterable[str] = ()
) -> str:
    """The file's text. comments: lines for a point, by its name. top: lines for the beginning of the file."""
    comments = comments or {}
    base = _base(registers)
    points = registers.points
    table = _most(point.value.table for point in points)
    words = _most(point.word_order for point in points if point.type.size > 1) or Order.HIGH_FIRST
    order = _most(point.byte_order for point in points) or Order.HIGH_FIRST
    lines = [f"# {line}".rstrip() for line in top]
    lines += ["", "[device]", f"description = {quoted(registers.description)}", f"function = {int(table or 3)}"]
    if registers.max_registers != MOST:
        lines.append(f"max_registers = {registers.max_registers}")
    lines += [f'word_order = "{words}"', f'byte_order = "{order}"', f"address_base = {base}"]
    for point in points:
        lines += ["", *(f"# {line}".rstrip() for line in comments.get(point.name, ())), "[[point]]"]
        lines += _point(point, table or Table.HOLDING, words, order)
    return "\n".join(lines).lstrip("\n") + "\n"


def _base(registers: RegisterMap) -> int:
    """What the manual calls the first register. ValueError where the points do not agree."""
    bases = {point.address - point.value.first for point in registers.points}
    if len(bases) != 1 or not bases <= {0, 1}:
        raise ValueError("the addresses of this map have no common base of 0 or 1")
    return bases.pop()


def _most(values: Iterable[_T]) -> _T | None:
    """The most frequent value, the first of equals; None of none."""
    ranked = Counter(values).most_common(1)
    return ranked[0][0] if ranked else None


def _point(point: MapPoint, table: Table, words: Order, order: Order) -> Iterable[str]:
    part, _, quantity = point.name.rpartition(".")
    yield f'quantity = "{quantity}"'
    if part:
        yield f'part = "{part}"'
    if point.value.table is not table:
        yield f"function = {int(point.value.table)}"
    yield f"address = {point.address}"
    yield f'type = "{point.type}"'
    if point.word_order is not words:
        yield f'word_order = "{point.word_order}"'
    if point.byte_order is not order:
        yield f'byte_order = "{point.byte_order}"'
    if point.scale_register is not None:
        yield f"scale_register = {point.scale_register.first + point.address - point.value.first}"
    elif abs(point.scale) != 1:
        yield f"scale = {_number(abs(point.scale))}"
    if point.scale < 0:
        yield "sign = -1"
    if point.unit != Unit():
        yield f'unit = "{_unit(point)}"'
    if point.sentinels:
        yield f"sentinels = [{', '.join(_written(one, point) for one in sorted(point.sentinels))}]"
    for key, listed in (("states", point.states), ("bits", point.bits)):
        if listed is not None:
            yield f"{key} = {{ {', '.join(f'{_key(theirs)} = {ours}' for theirs, ours in listed.items())} }}"
    if counts(point.quantity) and point.counter is not Counting.LIFETIME:
        yield f'counter = "{point.counter}"'
    if point.includes_battery_discharge is not None:
        yield f"includes_battery_discharge = {str(point.includes_battery_discharge).lower()}"


def quoted(text: str) -> str:
    """Text as a basic string of TOML."""
    return '"' + "".join(_ESCAPED.get(one) or (one if one.isprintable() else _escaped(one)) for one in text) + '"'


_ESCAPED = {'"': r"\"", "\\": r"\\"}


def _escaped(sign: str) -> str:
    return f"\\u{ord(sign):04X}" if ord(sign) < 0x1_0000 else f"\\U{ord(sign):08X}"


def _number(exact: Decimal) -> str:
    return repr(float(exact)) if exact != exact.to_integral_value() or abs(exact) >= 10**15 else str(int(exact))


def _key(theirs: int) -> str:
    return str(theirs) if theirs >= 0 else f'"{theirs}"'


def _written(code: int | float, point: MapPoint) -> str:
    if point.type.is_float or code < 0 or code < 0x100:
        return repr(code)
    return f"0x{int(code):0{point.type.size * 4}X}"


def _unit(point: MapPoint) -> str:
    return next(name for name, unit in units_of(point.quantity).items() if unit == point.unit)
