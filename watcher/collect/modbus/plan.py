"""What one device is asked at each poll, and what its answer means: a SunSpec map turned into requests and channels.

Rule: a value and its scale factor come out of the same request. Where the map, or a device that answers short requests
only, does not allow that, the factor is read before and after and the value is dropped if it moved. Each model's ID and
length are read along with its values: an answer in which they have changed is not decoded. Sans-IO, as in blocks.py.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from watcher.collect.modbus.blocks import MOST, Asking, Blocks, Span, cover
from watcher.collect.modbus.models import (
    HEADER,
    INDEX_POINTS,
    INPUT_CHANNELS,
    INVERTER_CHANNELS,
    INVERTERS,
    METER_CHANNELS,
    METERS,
    MODELS,
    MULTIPLE_INPUTS,
    STATES,
    Point,
)
from watcher.collect.modbus.registers import NUMBERS, Decoder, Words, scale_factor, scaled
from watcher.collect.modbus.sunspec import DeviceMap, FoundModel, NoMapError
from watcher.domain.quantity import Kind, channel

DeviceRole = Literal["inverter", "meter", "generation-meter"]


class MapMovedError(Exception):
    """Where a model began there now stands something else."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One value to be read.

    label: model and point, for the log: "103.W", "160.2.DCA"
    factor: where its power of ten stands, or None where the value is in its unit as it stands
    """

    channel: str
    label: str
    type: str
    value: Span
    factor: Span | None
    kind: Kind
    states: frozenset[int] | None

    @property
    def together(self) -> Span:
        """The span that holds the value and its factor."""
        return self.value if self.factor is None else cover((self.value, self.factor))


@dataclass(frozen=True, slots=True)
class Decoded:
    """values: by channel; what the device does not have, or does not know now, is absent.

    unusable: labels of values that were there while their scale factor was not one
    moved: labels of values dropped because their scale factor changed while they were read
    """

    values: Mapping[str, float]
    unusable: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()


def wanted_models(found: DeviceMap, role: DeviceRole) -> tuple[FoundModel, ...]:
    """The models that speak for a device in its role: the first of its family and, for an inverter, its inputs.

    NoMapError where there is none.
    """
    family = INVERTERS if role == "inverter" else METERS
    main = next((model for model in found.models if model.id in family), None)
    if main is None:
        there = ", ".join(str(model.id) for model in found.models)
        raise NoMapError(f"no {'inverter' if role == 'inverter' else 'meter'} model in the map, only {there}")
    inputs = next((model for model in found.models if model.id == MULTIPLE_INPUTS), None)
    return (main,) if role != "inverter" or inputs is None else (main, inputs)


def measures_of(models: Sequence[FoundModel], device: str, role: DeviceRole, counts: str) -> tuple[Measure, ...]:
    """Everything the models hold that is one of our channels, as far as they reach."""
    measures: list[Measure] = []
    for model in models:
        if model.id == MULTIPLE_INPUTS:
            for index in range(MODELS[model.id].blocks_in(model.length)):
                measures += _of_input(model, index, device)
        elif model.id in INVERTERS:
            measures += _of_model(model, INVERTER_CHANNELS.items(), device)
        else:
            measures += _of_model(model, METER_CHANNELS.items(), device)
            if role == "generation-meter":
                measures += _of_model(model, [(INDEX_POINTS[counts], "energy_index")], device)
    return tuple(measures)


def _of_model(model: FoundModel, wanted: Collection[tuple[str, str]], device: str) -> Iterator[Measure]:
    points = MODELS[model.id].points
    for name, channel_name in wanted:
        point = points[name]
        if point.offset + point.size <= HEADER + model.length:
            yield from _measure(model, point, model.first, f"{model.id}.{name}", f"{device}.{channel_name}")


def _of_input(model: FoundModel, index: int, device: str) -> Iterator[Measure]:
    layout = MODELS[model.id]
    start = model.first + layout.fixed_size + index * layout.block_size
    for name, channel_name in INPUT_CHANNELS.items():
        label = f"{model.id}.{index + 1}.{name}"
        yield from _measure(model, layout.block[name], start, label, f"{device}.input-{index + 1}.{channel_name}")


def _measure(model: FoundModel, point: Point, start: int, label: str, channel_name: str) -> Iterator[Measure]:
    factor = None
    if point.factor:
        place = MODELS[model.id].points[point.factor]
        if place.offset + place.size > HEADER + model.length:
            return  # the model ends before its factor: the value has no unit
        factor = Span(model.first + place.offset, place.size)
    value = Span(start + point.offset, point.size)
    kind = channel(channel_name).quantity.kind
    states = frozenset(STATES[point.name]) if point.name in STATES else None
    yield Measure(channel_name, label, point.type, value, factor, kind, states)


@dataclass(frozen=True, slots=True)
class _Step:
    """One measure, with the places of its registers in the words of a cycle. before, after: in the guards' words."""

    measure: Measure
    read: Decoder
    start: int
    stop: int
    factor: int | None
    guard: int | None


@dataclass(slots=True)
class Plan:
    """The requests of one device and their meaning.

    apart: measures whose factor cannot come in the same request as their value
    """

    models: tuple[FoundModel, ...]
    measures: tuple[Measure, ...]
    apart: frozenset[Measure] = frozenset()
    blocks: Blocks = field(init=False)
    guards: Blocks | None = field(init=False)
    _steps: tuple[_Step, ...] = field(init=False, default=())
    _headers: tuple[tuple[int, FoundModel], ...] = field(init=False, default=())
    _laid_for: tuple[tuple[Span, ...], ...] = field(init=False, default=())
    _guard_first: bool = field(init=False, default=True)

    def __post_init__(self) -> None:
        self.apart |= {measure for measure in self.measures if measure.together.count > MOST}
        factors = {measure.factor for measure in self.apart if measure.factor is not None}
        wanted = {measure.value if measure in self.apart else measure.together for measure in self.measures}
        headers = {Span(model.first, HEADER) for model in self.models}
        self.blocks = Blocks(wanted | factors | headers)
        self.guards = Blocks(factors) if factors else None

    @property
    def requests(self) -> tuple[Span, ...]:
        """What a poll sends, in order, once it is known what works."""
        guard = self.guards.requests if self.guards else ()
        return (guard if self._guard_first else ()) + self.blocks.requests + guard

    def torn(self) -> frozenset[Measure]:
        """Measures whose value and factor the device did not answer in one request, though perhaps apart."""
        refused = self.blocks.missing
        return frozenset(
            measure
            for measure in self.measures
            if measure.factor is not None and measure not in self.apart and measure.together in refused
        )

    def missing(self) -> tuple[str, ...]:
        """Labels of what the device does not answer at all."""
        return tuple(measure.label for measure in self.measures if self.blocks.place(measure.value) is None)

    def read(self, now_ms: int) -> Asking[Decoded | None]:
        """One poll. None where the device refused everything. MapMovedError where the models have moved."""
        guards, before, after = self.guards, [], []
        if guards and self._guard_first:
            before = yield from guards.read(now_ms)
        words = yield from self.blocks.read(now_ms)
        if not words:
            return None
        if guards:
            after = yield from guards.read(now_ms)
        self._lay_out()
        return self.decode(words, before, after)

    def decode(self, words: Words, before: Words = (), after: Words = ()) -> Decoded:
        """What the words of a cycle say. before, after: the guards' words, where there are guards."""
        for at, model in self._headers:
            if words[at] != model.id or words[at + 1] != model.length:
                raise MapMovedError(f"no model {model.id} at {model.first} any more, but {words[at]}, {words[at + 1]}")
        values: dict[str, float] = {}
        unusable: list[str] = []
        moved: list[str] = []
        for step in self._steps:
            raw = step.read(words[step.start : step.stop])
            measure = step.measure
            if raw is None or (measure.states is not None and raw not in measure.states):
                continue
            if measure.kind is Kind.COUNTER and raw <= 0:
                continue  # a counter that has counted nothing is a device waking up, integers and floats alike
            if measure.factor is None:
                values[measure.channel] = float(raw)
                continue
            factor = None if step.factor is None else words[step.factor]
            if step.guard is not None:
                first = before[step.guard] if before else factor if (step.factor or 0) < step.start else None
                factor = after[step.guard]
                if first != factor:
                    moved.append(measure.label)
                    continue
            power = None if factor is None else scale_factor((factor,))
            if power is None:
                unusable.append(measure.label)
            else:
                values[measure.channel] = float(scaled(int(raw), power))
        return Decoded(values, tuple(unusable), tuple(moved))

    def _lay_out(self) -> None:
        """Find the places of everything in the words, again only when the requests have changed."""
        laid_for = (self.blocks.requests, self.guards.requests if self.guards else ())
        if laid_for == self._laid_for:
            return
        steps = []
        for measure in self.measures:
            start = self.blocks.place(measure.value if measure in self.apart else measure.together)
            if start is None:
                continue
            start += 0 if measure in self.apart else measure.value.first - measure.together.first
            factor = self._factor_place(measure, start)
            guard = None
            if self.guards and measure.factor is not None and measure in self.apart:
                guard = self.guards.place(measure.factor)
                if guard is None:
                    continue  # a factor that cannot be watched cannot be trusted
            size, read = NUMBERS[measure.type]
            steps.append(_Step(measure, read, start, start + size, factor, guard))
        places = ((self.blocks.place(Span(model.first, HEADER)), model) for model in self.models)
        self._headers = tuple((at, model) for at, model in places if at is not None)
        self._steps, self._laid_for = tuple(steps), laid_for
        self._guard_first = any(
            step.guard is not None and (step.factor is None or step.factor > step.start) for step in steps
        )

    def _factor_place(self, measure: Measure, start: int) -> int | None:
        if measure.factor is None:
            return None
        if measure in self.apart:
            return self.blocks.place(measure.factor)
        # In the request the value came in, which need not be the first that holds the factor.
        return start + measure.factor.first - measure.value.first
