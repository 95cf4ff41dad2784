"""What a register map's file may say: every table, every key, every range. Declarations only.

Rule: which keys a point has depends on what it measures: only what counts has `counter`, only a state has `states`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from watcher.collect.modbus.blocks import MOST, Table
from watcher.collect.modbus.models import INPUT_STATES
from watcher.collect.modbus.register_map import Counting, NumberType, Order
from watcher.config.checked_toml import (
    Key,
    Keys,
    RefusedValueError,
    needed,
    never,
    number,
    one_of,
    shown,
    suggestion,
    table_of,
    text,
    whole,
    yes_or_no,
)
from watcher.domain.quantity import QUANTITIES, Kind, Quantity
from watcher.table.units import units_of

LARGEST_SCALE = 1e9
_STATES = ", ".join(f"{code} {name}" for code, name in INPUT_STATES.items())


def _function() -> Key:
    def take(value: Any) -> Table:
        if value not in (3, 4) or not isinstance(value, int):
            raise ValueError
        return Table(value)

    return Key(take, "must be 3 (holding registers) or 4 (input registers); nothing else is ever sent")


def quantity_key() -> Key:
    def take(value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError
        if value not in QUANTITIES:
            raise RefusedValueError("no such quantity" + suggestion(value, QUANTITIES))
        return value

    return Key(take, "must be the name of a quantity, such as ac_power")


def _sentinels() -> Key:
    def take(value: Any) -> tuple[int | float, ...]:
        if not isinstance(value, list):
            raise ValueError
        for one in value:
            if isinstance(one, bool) or not isinstance(one, int | float):
                raise ValueError
            if isinstance(one, float) and not math.isfinite(one):  # a whole number may be too large to be asked this
                raise ValueError
        return tuple(value)

    return Key(take, "must be a list of numbers, such as [0x8000]; what is no number at all is never a value anyway")


def sign_key() -> Key:
    def take(value: Any) -> int:
        if isinstance(value, bool) or value not in (1, -1) or not isinstance(value, int):
            raise ValueError
        return value

    return Key(take, "must be 1, or -1 where the device counts the other way")


def _listed(lowest: int, highest: int, allowed: str) -> Key:
    """A table of numbers, theirs to ours."""

    def take(value: Any) -> dict[int, int]:
        if not isinstance(value, dict) or not value:
            raise ValueError
        taken: dict[int, int] = {}
        for written, ours in value.items():
            try:
                theirs = int(written, 0)
            except ValueError:
                raise RefusedValueError(f'"{shown(written)[1:-1]}" is no number; {allowed}') from None
            if isinstance(ours, bool) or not isinstance(ours, int) or not lowest <= ours <= highest:
                raise RefusedValueError(f"{theirs} = {shown(ours)}; {allowed}")
            if theirs in taken:
                raise RefusedValueError(f"{theirs} stands twice; {allowed}")
            taken[theirs] = ours
        return taken

    return Key(take, allowed)


DEVICE: Keys = {
    "description": needed(text(r"[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*", "must be what the device is, in quotes")),
    "function": _function(),
    "max_registers": whole(1, MOST, "in one request"),
    "word_order": one_of(Order),
    "byte_order": one_of(Order),
    "address_base": whole(0, 1, "the address the manual gives the first register"),
}

_COMMON: Keys = {
    "quantity": needed(quantity_key()),
    "part": text(r"input-[1-9][0-9]*|l[123]", 'must be an input or a phase, such as "input-1" or "l1"'),
    "address": needed(whole(0, 0x1_0000, "as the manual writes it, without a leading digit for the table")),
    "function": _function(),
    "type": needed(one_of(NumberType)),
    "word_order": one_of(Order),
    "byte_order": one_of(Order),
    "sentinels": _sentinels(),
}
_MEASURED: Keys = {
    "scale": number(1 / LARGEST_SCALE, LARGEST_SCALE, "what one step is worth; for the other sign, sign = -1"),
    "scale_register": whole(0, 0x1_0000, "where the power of ten stands"),
    "sign": sign_key(),
    "unit": text(),
}
_COUNTED: Keys = {"counter": one_of(Counting), "includes_battery_discharge": yes_or_no()}
_STATE: Keys = {"states": needed(_listed(1, 9, "must be theirs = ours, such as { 3 = 4 }; ours are " + _STATES))}
_BITS: Keys = {
    "bits": needed(_listed(0, 31, "must be theirs = ours, such as { 2 = 7 }, each a bit counted from 0")),
    "type": needed(one_of(("uint16", "uint32"))),
}

_OTHERS = (
    (_MEASURED, "a state or a word of bits is a code; it has neither unit nor scale"),
    (_COUNTED, "only for a register that counts energy or pulses"),
    (_STATE, "only for an operating_state"),
    (_BITS, "only for event_bits"),
)
"""Keys of the kinds, and what is said of them at a point of another kind."""


def _measured(quantity: Quantity) -> Keys:
    return {**_MEASURED, "unit": one_of(units_of(quantity))}


_OWN: Mapping[Kind, Callable[[Quantity], Keys]] = {
    Kind.GAUGE: _measured,
    Kind.COUNTER: lambda quantity: {**_measured(quantity), **_COUNTED},
    Kind.DAY_COUNTER: _measured,
    Kind.STATE: lambda _: _STATE,
    Kind.BITS: lambda _: _BITS,
}


def point(entry: Mapping[str, Any]) -> Keys:
    """What one entry may say; every key there is, where its quantity is none."""
    written = entry.get("quantity")
    quantity = QUANTITIES.get(written) if isinstance(written, str) else None
    if quantity is None:
        return {**_MEASURED, **_COUNTED, **_optional(_STATE), **_optional(_BITS), **_COMMON}
    others = {key: never(hint) for keys, hint in _OTHERS for key in keys}
    return {**others, **_COMMON, **_OWN[quantity.kind](quantity)}


def _optional(keys: Keys) -> Keys:
    return {name: Key(key.take, key.allowed) for name, key in keys.items()}


MAP_FILE: Keys = {
    "device": needed(table_of(DEVICE)),
    "point": needed(Key(each=point, allowed="must be a list of tables, each under its own [[point]]")),
}
