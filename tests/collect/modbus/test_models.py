"""The tables against the standard's published definitions, which an independent library ships."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import sunspec2

from watcher.collect.modbus.models import (
    IDENTITY,
    INDEX_POINTS,
    INPUT_CHANNELS,
    INPUT_STATES,
    INVERTER_CHANNELS,
    INVERTER_STATES,
    INVERTERS,
    METER_CHANNELS,
    METERS,
    MODELS,
    Point,
)
from watcher.domain.quantity import channel

DEFINITIONS = Path(sunspec2.__file__).parent / "models" / "json"


def definition(model: int) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((DEFINITIONS / f"model_{model}.json").read_text())
    return loaded


def published(points: list[dict[str, Any]]) -> list[Point]:
    """The definition's points as ours, offsets summed up."""
    found, offset = [], 0
    for point in points:
        unit, factor = point.get("units", ""), point.get("sf", "")
        found.append(Point(point["name"], point["type"], offset, point["size"], factor, unit))
        offset += point["size"]
    return found


@pytest.mark.parametrize("model", sorted(MODELS))
def test_every_point_of_every_model_is_as_published(model: int) -> None:
    group = definition(model)["group"]
    assert list(MODELS[model].points.values()) == published(group["points"])
    blocks = group.get("groups", [])
    assert list(MODELS[model].block.values()) == [point for block in blocks for point in published(block["points"])]
    assert MODELS[model].block_size == sum(point["size"] for block in blocks for point in block["points"])


@pytest.mark.parametrize(
    ("models", "length"), [((1,), 66), ((101, 102, 103), 50), ((111, 112, 113), 60), (METERS, 105)]
)
def test_models_are_as_long_as_the_standard_says(models: tuple[int, ...], length: int) -> None:
    # reference-values.md 2.1
    assert [MODELS[model].fixed_size - 2 for model in models] == [length] * len(models)


@pytest.mark.parametrize(
    ("length", "inputs", "fits"), [(48, 2, True), (8, 0, True), (68, 3, True), (60, 2, False), (6, 0, False)]
)
def test_the_length_of_the_input_model_gives_the_number_of_inputs(length: int, inputs: int, fits: bool) -> None:
    assert MODELS[160].blocks_in(length) == inputs
    assert MODELS[160].fits(length) is fits


def states(model: int, point: str) -> dict[int, str]:
    group = definition(model)["group"]
    points = group["points"] + [p for block in group.get("groups", []) for p in block["points"]]
    symbols = next(p for p in points if p["name"] == point)["symbols"]
    # Model 111 carries a stray prefix in its names (reference-values.md 2.6), so numbers are compared first.
    return {s["value"]: s["name"].removeprefix("gg").lower().replace("_", "-") for s in symbols}


@pytest.mark.parametrize("model", INVERTERS)
def test_an_inverters_states_are_the_published_ones(model: int) -> None:
    assert states(model, "St") == INVERTER_STATES


def test_an_inputs_states_are_the_published_ones_and_have_one_more() -> None:
    assert {n: name for n, name in states(160, "DCSt").items() if "reserved" not in name} == INPUT_STATES


@pytest.mark.parametrize(
    ("models", "names"),
    [
        (INVERTERS, INVERTER_CHANNELS),
        (METERS, METER_CHANNELS),
        (METERS, dict.fromkeys(INDEX_POINTS.values(), "energy_index")),
        ((1,), dict.fromkeys(IDENTITY.values())),
    ],
)
def test_every_point_we_name_exists_and_every_channel_is_one(
    models: tuple[int, ...], names: dict[str, str | None]
) -> None:
    for model in models:
        for point, name in names.items():
            assert point in MODELS[model].points
            assert name is None or str(channel(f"device-1.{name}")) == f"device-1.{name}"


def test_every_input_point_we_name_exists_and_its_unit_is_the_channels() -> None:
    for point, name in INPUT_CHANNELS.items():
        assert MODELS[160].block[point].unit == channel(f"inverter-1.input-1.{name}").quantity.unit


@pytest.mark.parametrize(("models", "names"), [(INVERTERS, INVERTER_CHANNELS), (METERS, METER_CHANNELS)])
def test_a_points_unit_is_its_channels(models: tuple[int, ...], names: dict[str, str]) -> None:
    for model in models:
        for point, name in names.items():
            unit = channel(f"device-1.{name}").quantity.unit
            assert MODELS[model].points[point].unit == unit.replace("degC", "C")
