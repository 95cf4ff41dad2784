"""What a topic map's file may say: every table, every key, every range. Declarations only.

Rule: which keys a value has depends on what it measures: only pulses come in increments, only a state has `states`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from watcher.collect.modbus.models import INPUT_STATES
from watcher.collect.mqtt.json_path import Path, path_of
from watcher.collect.mqtt.topic_map import Counting, TimeForm, pattern_fault
from watcher.config.checked_toml import (
    Key,
    Keys,
    RefusedValueError,
    list_of,
    needed,
    never,
    number,
    one_of,
    shown,
    table_of,
    text,
    yes_or_no,
)
from watcher.config.map_words import LARGEST_SCALE, quantity_key, sign_key
from watcher.config.site_words import zone
from watcher.domain.quantity import QUANTITIES, Kind, Quantity
from watcher.table.units import units_of

_STATES = ", ".join(f"{code} {name}" for code, name in INPUT_STATES.items())


def _topic() -> Key:
    def take(value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError
        if fault := pattern_fault(value):
            raise RefusedValueError(fault)
        return value

    return Key(take, 'must be a topic, such as "{device}/state"')


def _path() -> Key:
    def take(value: Any) -> Path:
        if not isinstance(value, str):
            raise ValueError
        return path_of(value)

    return Key(take, 'must be a path, such as "inv.ac[0].p"; a key with a dot in it stands in double quotes')


def _states() -> Key:
    allowed = f"must be theirs = ours, such as {{ running = 4 }}; ours are {_STATES}"

    def take(value: Any) -> dict[str, int]:
        if not isinstance(value, dict) or not value:
            raise ValueError
        for theirs, ours in value.items():
            if isinstance(ours, bool) or not isinstance(ours, int) or not 1 <= ours <= 9:
                raise RefusedValueError(f"{theirs} = {shown(ours)}; {allowed}")
        return dict(value)

    return Key(take, allowed)


_COMMON: Keys = {
    "path": _path(),
    "quantity": needed(quantity_key()),
    "part": text(r"input-[1-9][0-9]*|l[123]", 'must be an input or a phase, such as "input-1" or "l1"'),
}
_MEASURED: Keys = {
    "scale": number(1 / LARGEST_SCALE, LARGEST_SCALE, "what one is worth; for the other sign, sign = -1"),
    "sign": sign_key(),
    "unit": text(),
}
_COUNTED: Keys = {"counter": one_of(Counting)}
_STATE: Keys = {"states": _states()}
_OTHERS = (
    (_MEASURED, "a state is a code; it has neither unit nor scale"),
    (_COUNTED, "only for a pulse_count; a register tells where it stands"),
    (_STATE, "only for an operating_state"),
)


def _own(quantity: Quantity) -> Keys:
    if quantity.kind is Kind.STATE:
        return {"states": needed(_STATE["states"])}
    measured = {**_MEASURED, "unit": one_of(units_of(quantity))}
    return {**measured, **_COUNTED} if quantity.name == "pulse_count" else measured


def value(entry: Mapping[str, Any]) -> Keys:
    """What one entry may say; every key there is, where its quantity is none."""
    written = entry.get("quantity")
    quantity = QUANTITIES.get(written) if isinstance(written, str) else None
    if quantity is None:
        return {**_COMMON, **_MEASURED, **_COUNTED, **_STATE}
    if quantity.kind is Kind.BITS:
        return {**_COMMON, "quantity": never("a word of bits is not read from a broker")}
    others = {key: never(hint) for keys, hint in _OTHERS for key in keys}
    return {**others, **_COMMON, **_own(quantity)}


TOPIC: Keys = {
    "topic": needed(_topic()),
    "time": _path(),
    "time_form": one_of(TimeForm),
    "zone": zone(),
    "sequence": _path(),
    "decimal_comma": yes_or_no(),
    "value": needed(Key(each=value, allowed="must be a list of tables, each under its own [[topic.value]]")),
}

TOPIC_MAP_FILE: Keys = {
    "device": needed(
        table_of(
            {"description": needed(text(r"[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*", "must be what it is, in quotes"))}
        )
    ),
    "topic": needed(list_of(TOPIC)),
}
