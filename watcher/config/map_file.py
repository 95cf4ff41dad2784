"""Register maps: from the text of a file to the map, and the folder they are in.

Rule: a map is given only for a file without a single problem. map_words.py says what each key may hold; here stands
what one must be to another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from watcher.collect.modbus.blocks import MOST, Span, Table
from watcher.collect.modbus.map_numbers import sentinel
from watcher.collect.modbus.register_map import SUNSPEC, Counting, MapPoint, NumberType, Order, RegisterMap
from watcher.config.checked_toml import Page, shown
from watcher.config.map_words import MAP_FILE
from watcher.config.toml_text import read_text
from watcher.domain.errors import Problem, SetupError
from watcher.domain.quantity import NAME, QUANTITIES
from watcher.table.units import Unit, units_of

_Entry = Mapping[str, Any]
_ADDRESSES = 0x1_0000


@dataclass(frozen=True, slots=True)
class MapsFound:
    """What a folder of register maps came to. bad: names of maps that can't be used; problems: why."""

    good: Mapping[str, RegisterMap] = field(default_factory=dict)
    bad: frozenset[str] = frozenset()
    problems: tuple[Problem, ...] = ()

    def fault(self, name: str) -> str:
        """Why a site can't have a map of this name, as a sentence; "" where it can."""
        if name == SUNSPEC or name in self.good:
            return ""
        if name in self.bad:
            return "this register map has problems of its own and can't be used"
        return "must be one of " + ", ".join(f'"{one}"' for one in (SUNSPEC, *sorted(self.good)))


def load_maps(folder: Path) -> MapsFound:
    """Every map of a folder, by file name; none where there is no folder. Never raises."""
    good: dict[str, RegisterMap] = {}
    bad: set[str] = set()
    problems: list[Problem] = []
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix == ".toml" and not path.name.startswith("."))
    except FileNotFoundError:
        return MapsFound()
    except OSError as error:
        return MapsFound(problems=(Problem(str(folder), "", "", f"cannot be read: {error.strerror or error}"),))
    for path in paths:
        try:
            good[path.stem] = load_map(read_text(path), str(path), path.stem)
        except SetupError as error:
            bad.add(path.stem)
            problems += error.problems
    return MapsFound(good, frozenset(bad), tuple(problems))


def load_map(text: str, place: str, name: str) -> RegisterMap:
    """The register map in the text of its file.

    place: the file's name, for messages. name: the map's, which is the name of the file without its ending.
    SetupError with every problem there is.
    """
    page, tables = Page.opened(text, place)
    if NAME.fullmatch(name) is None or name == SUNSPEC:
        allowed = f'"{name}" names the map: lower case letters, digits and single hyphens, and not "{SUNSPEC}"'
        page.wrong("", allowed)
    content = page.table(tables, MAP_FILE)
    device, points = content.get("device", {}), content.get("point", [])
    for at, entry in enumerate(points):
        for key, allowed, found in _faults(entry, device):
            page.wrong(f"point[{at}].{key}", allowed, found)
    page.refuse()
    registers = RegisterMap(
        name,
        device["description"],
        tuple(_point(entry, device) for entry in points),
        device.get("max_registers", MOST),
    )
    _together(page, registers)
    page.refuse()
    return registers


def _faults(entry: _Entry, device: _Entry) -> Iterator[tuple[str, str, str]]:
    """What in an entry contradicts the rest of it: key, what is allowed, what was found.

    Keys that were not read well are absent, and nothing follows from them.
    """
    base = device.get("address_base", 0)
    type: NumberType | None = NumberType(entry["type"]) if "type" in entry else None
    for key, size in (("address", type.size if type else 1), ("scale_register", 1)):
        if key in entry and not base <= entry[key] <= _ADDRESSES - size + base:
            yield key, f"must be {base} to {_ADDRESSES - size + base} with address_base = {base}", str(entry[key])
    if type is None:
        return
    if type.size > device.get("max_registers", MOST):
        yield "type", f"takes {type.size} registers, and max_registers is {device['max_registers']}", shown(str(type))
    for written in entry.get("sentinels", ()):
        try:
            sentinel(type, written)
        except ValueError:
            yield "sentinels", _fits(type), shown(written)
    for key in ("states", "bits"):
        low, high = (0, type.bits - 1) if key == "bits" or type.is_float else type.range
        for theirs in entry.get(key, {}):
            if not low <= theirs <= high:
                yield key, f"theirs must be {low} to {high} in a register of type {type}", str(theirs)
    if "states" in entry and type.is_float:
        yield "type", "a state is a whole number", shown(str(type))
    if "scale_register" in entry:
        yield from _scale_faults(entry, device, type)


def _fits(type: NumberType) -> str:
    if type.is_float:
        return f"must be what a {type} can be"
    return f"must be what a register of type {type} can hold: {type.range[0]} to {(1 << type.bits) - 1}"


def _scale_faults(entry: _Entry, device: _Entry, type: NumberType) -> Iterator[tuple[str, str, str]]:
    found = str(entry["scale_register"])
    if "scale" in entry:
        yield "scale_register", "scale stands here too; keep one of the two", found
    if type.is_float:
        yield "scale_register", "a number with decimals of its own has none", found
    if entry.get("byte_order", device.get("byte_order")) is Order.LOW_FIRST:
        yield "scale_register", "cannot be read with its low byte first", found
    if _unit(entry).before:
        yield "scale_register", f"cannot go with a unit that begins elsewhere than {_own_unit(entry)}", found


def _own_unit(entry: _Entry) -> str:
    return QUANTITIES[entry["quantity"]].unit if "quantity" in entry else ""


def _unit(entry: _Entry) -> Unit:
    if "quantity" not in entry or "unit" not in entry:
        return Unit()
    return units_of(QUANTITIES[entry["quantity"]])[entry["unit"]]


def _point(entry: _Entry, device: _Entry) -> MapPoint:
    type = NumberType(entry["type"])
    base = device.get("address_base", 0)
    table: Table = entry.get("function", device.get("function", Table.HOLDING))
    factor = Span(entry["scale_register"] - base, 1, table) if "scale_register" in entry else None
    return MapPoint(
        name=".".join(filter(None, (entry.get("part"), entry["quantity"]))),
        address=entry["address"],
        type=type,
        value=Span(entry["address"] - base, type.size, table),
        word_order=entry.get("word_order", device.get("word_order", Order.HIGH_FIRST)),
        byte_order=entry.get("byte_order", device.get("byte_order", Order.HIGH_FIRST)),
        # The digits as written: a float's shortest form gives them back.
        scale=Decimal(repr(entry.get("scale", 1.0))) * entry.get("sign", 1),
        scale_register=factor,
        unit=_unit(entry),
        sentinels=frozenset(sentinel(type, written) for written in entry.get("sentinels", ())),
        states=entry.get("states"),
        bits=entry.get("bits"),
        counter=entry.get("counter", Counting.LIFETIME),
        includes_battery_discharge=entry.get("includes_battery_discharge"),
    )


def _together(page: Page, registers: RegisterMap) -> None:
    """One value has one place, and two numbers have all their registers in common or none."""
    named: dict[str, int] = {}
    holds: dict[tuple[Table, int], int] = {}
    for at, point in enumerate(registers.points):
        if (before := named.setdefault(point.name, at)) != at:
            page.wrong(f"point[{at}].quantity", f"point[{before}] is {point.name} already", shown(point.name))
        span = point.value
        sharing = {holds.setdefault((span.table, address), at) for address in range(span.first, span.end)}
        for other in sorted(sharing):
            if registers.points[other].value != span:
                allowed = f"shares registers with point[{other}], {registers.points[other].label}"
                page.wrong(f"point[{at}].address", allowed, str(point.address))
    if not registers.read_points():
        page.wrong("point", "nothing in here is worth reading: every counter is said not to count")
