"""What a device says of itself by the SunSpec models, written as a register map.

Rule: the map means what the models mean: same places, same scale factors, same codes for "not here". Then one judge,
one page and one file format serve devices that describe themselves and those that do not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from watcher.collect.modbus.blocks import Span
from watcher.collect.modbus.models import (
    HEADER,
    INPUT_CHANNELS,
    INPUT_STATES,
    INVERTER_CHANNELS,
    INVERTER_STATES,
    INVERTERS,
    METER_CHANNELS,
    METERS,
    MODELS,
    MULTIPLE_INPUTS,
    Point,
)
from watcher.collect.modbus.register_map import MapPoint, NumberType, RegisterMap
from watcher.collect.modbus.sunspec import DeviceMap, FoundModel
from watcher.domain.quantity import QUANTITIES, Kind
from watcher.probe.seen import INVERTER, METER, UNKNOWN

NAME = "as-described"

_TYPES: Mapping[str, tuple[NumberType, frozenset[int | float]]] = {
    "int16": (NumberType.INT16, frozenset({-0x8000})),
    "uint16": (NumberType.UINT16, frozenset({0xFFFF})),
    "enum16": (NumberType.UINT16, frozenset({0xFFFF})),
    "acc32": (NumberType.UINT32, frozenset({0})),
    "bitfield32": (NumberType.UINT32, frozenset({0xFFFF_FFFF, 0x8000_0000})),
    "float32": (NumberType.FLOAT32, frozenset()),
}


def role_of(found: DeviceMap) -> str:
    """What a device is by the models it shows."""
    shown = {model.id for model in found.models}
    return INVERTER if shown & set(INVERTERS) else METER if shown & set(METERS) else UNKNOWN


def described(found: DeviceMap, role: str = UNKNOWN) -> RegisterMap | None:
    """The register map of the first model that speaks for a device in its role, and of its inputs.

    Where the role is not known, the first inverter model, or else the first meter model. None where there is none.
    """
    role = role_of(found) if role == UNKNOWN else role
    wanted = INVERTERS if role == INVERTER else METERS
    main = next((model for model in found.models if model.id in wanted), None)
    if main is None:
        return None
    channels = INVERTER_CHANNELS if main.id in INVERTERS else METER_CHANNELS
    points = [p for name, channel in channels.items() if (p := _point(main, MODELS[main.id].points[name], 0, channel))]
    inputs = next((model for model in found.models if model.id == MULTIPLE_INPUTS), None)
    if inputs is not None and main.id in INVERTERS:
        points += _inputs(inputs)
    return RegisterMap(NAME, f"device that describes itself, model {main.id}", tuple(points)) if points else None


def _inputs(model: FoundModel) -> Iterator[MapPoint]:
    layout = MODELS[model.id]
    for index in range(layout.blocks_in(model.length)):
        start = layout.fixed_size + index * layout.block_size
        for name, channel in INPUT_CHANNELS.items():
            if found := _point(model, layout.block[name], start, f"input-{index + 1}.{channel}"):
                yield found


def _point(model: FoundModel, point: Point, start: int, channel: str) -> MapPoint | None:
    """A model's point as a map's; None where the model ends before it or before its scale factor."""
    type, absent = _TYPES[point.type]
    offset = start + point.offset
    factor = MODELS[model.id].points[point.factor] if point.factor else None
    ends = [offset + point.size, *([factor.offset + factor.size] if factor else [])]
    if max(ends) > HEADER + model.length:
        return None
    kind = QUANTITIES[channel.rpartition(".")[2]].kind
    states = INPUT_STATES if channel.startswith("input-") else INVERTER_STATES
    return MapPoint(
        name=channel,
        address=model.first + offset,
        type=type,
        value=Span(model.first + offset, point.size),
        scale_register=Span(model.first + factor.offset, factor.size) if factor else None,
        sentinels=absent,
        states={state: state for state in states} if kind is Kind.STATE else None,
        bits={bit: bit for bit in range(32)} if kind is Kind.BITS else None,
    )
