"""What one device is asked at each poll, and what its answer means: a SunSpec map turned into requests and channels.

Rule: a value and its scale factor come out of the same request. Where the map, or a device that answers short requests
only, does not allow that, the factor is read before and after and the value is dropped if it moved. Each model's ID and
length are read along with its values: an answer in which they have changed is not decoded. Sans-IO, as in blocks.py.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Literal, NamedTuple

from watcher.collect.modbus.blocks import MOST, Asking, Blocks, Span, cover
from watcher.collect.modbus.models import (
    EVENT_BITS,
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
from watcher.collect.modbus.registers import NUMBERS, Decoder, Raw, Words, scale_factor, scaled
from watcher.collect.modbus.sunspec import DeviceMap, FoundModel, NoMapError
from watcher.domain.quantity import Kind, channel

DeviceRole = Literal["inverter", "meter", "generation-meter"]


class MapMovedError(Exception):
    """Where a model began there now stands something else."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One value to be read.

    label: model and point, for the log: "103.W", "160.2.DCA"
    read: its registers to a number, or None for what is none
    factor: where its power of ten stands, or None where the value is in its unit as it stands
    """

    channel: str
    label: str
    read: Decoder
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
    size, read = NUMBERS[point.type]
    value = Span(start + point.offset, size)
    kind = channel(channel_name).quantity.kind
    states = frozenset(STATES[point.name]) if point.name in STATES else None
    if (known := EVENT_BITS.get(point.name)) is not None:
        read = partial(_bits_of, read, known)
    yield Measure(channel_name, label, read, value, factor, kind, states)


def _bits_of(read: Decoder, known: int, words: Words) -> Raw | None:
    """A word of bits without those that the standard keeps for later: another's meaning is not theirs."""
    found = read(words)
    return None if found is None else int(found) & known


class _Step(NamedTuple):
    """One measure, laid out for the words of a cycle: its registers are words[start:stop]."""

    channel: str
    label: str
    read: Decoder
    start: int
    stop: int
    counts: bool
    states: frozenset[int] | None


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where everything stands in the words of a cycle, for one set of requests.

    plain: values that need no factor. shared: place of a factor, and the values that came in one request with it
    guarded: place of a factor in the words and in the guards' words, and the value that stands in another request
    missing: labels of what no request brings
    """

    requests: tuple[Span, ...]
    guard_requests: tuple[Span, ...]
    headers: tuple[tuple[int, FoundModel], ...]
    plain: tuple[_Step, ...]
    shared: tuple[tuple[int, tuple[_Step, ...]], ...]
    guarded: tuple[tuple[int, int, _Step], ...]
    missing: tuple[str, ...]

    @property
    def guard_first(self) -> bool:
        """Whether some value is read before its factor is, so that the guards must be read before everything."""
        return any(factor > step.start for factor, _, step in self.guarded)


@dataclass(slots=True)
class Plan:
    """The requests of one device and their meaning.

    apart: measures whose factor cannot come in the same request as their value
    most: registers one request may ask for
    """

    models: tuple[FoundModel, ...]
    measures: tuple[Measure, ...]
    apart: frozenset[Measure] = frozenset()
    most: int = MOST
    blocks: Blocks = field(init=False)
    guards: Blocks | None = field(init=False)
    _layout: _Layout | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.apart |= {measure for measure in self.measures if measure.together.count > self.most}
        factors = {measure.factor for measure in self.apart if measure.factor is not None}
        wanted = {measure.value if measure in self.apart else measure.together for measure in self.measures}
        headers = {Span(model.first, HEADER) for model in self.models}
        self.blocks = Blocks(wanted | factors | headers, self.most)
        self.guards = Blocks(factors, self.most) if factors else None

    def torn(self) -> frozenset[Measure]:
        """Measures whose value and factor the device did not answer in one request, though perhaps apart."""
        refused = self.blocks.missing
        if not refused:
            return frozenset()
        together = (measure for measure in self.measures if measure.factor and measure not in self.apart)
        return frozenset(measure for measure in together if measure.together in refused)

    @property
    def missing(self) -> tuple[str, ...]:
        """Labels of what the device does not answer."""
        return self._layout.missing if self._layout else ()

    def read(self, now_ms: int) -> Asking[Decoded | None]:
        """One poll. None where the device refused everything. MapMovedError where the models have moved."""
        before: Words = ()
        after: Words = ()
        if self.guards and (self._layout is None or self._layout.guard_first):
            before = yield from self.guards.read(now_ms)
        words = yield from self.blocks.read(now_ms)
        if not words:
            return None
        if self.guards:
            after = yield from self.guards.read(now_ms)
        guard_requests = self.guards.requests if self.guards else ()
        layout = self._layout
        if layout is None or (layout.requests, layout.guard_requests) != (self.blocks.requests, guard_requests):
            self._layout = layout = self._laid_out(guard_requests)
        return _decode(layout, words, before, after)

    def _laid_out(self, guard_requests: tuple[Span, ...]) -> _Layout:
        plain: list[_Step] = []
        shared: dict[int, list[_Step]] = {}
        guarded: list[tuple[int, int, _Step]] = []
        missing: list[str] = []
        for measure in self.measures:
            apart = measure in self.apart
            start = self.blocks.place(measure.value if apart else measure.together)
            if start is None:
                missing.append(measure.label)
                continue
            if measure.factor is None:
                plain.append(_step(measure, start))
            elif not apart:
                # The factor in the request the value came in, which need not be the first that holds it.
                start -= measure.together.first
                shared.setdefault(start + measure.factor.first, []).append(_step(measure, start + measure.value.first))
            else:
                factor = self.blocks.place(measure.factor)
                guard = self.guards.place(measure.factor) if self.guards else None
                if factor is None or guard is None:
                    missing.append(measure.label)  # a factor that cannot be watched cannot be trusted
                else:
                    guarded.append((factor, guard, _step(measure, start)))
        places = ((self.blocks.place(Span(model.first, HEADER)), model) for model in self.models)
        return _Layout(
            requests=self.blocks.requests,
            guard_requests=guard_requests,
            headers=tuple((at, model) for at, model in places if at is not None),
            plain=tuple(plain),
            shared=tuple((factor, tuple(steps)) for factor, steps in shared.items()),
            guarded=tuple(guarded),
            missing=tuple(missing),
        )


def _step(measure: Measure, start: int) -> _Step:
    counts = measure.kind is Kind.COUNTER
    stop = start + measure.value.count
    return _Step(measure.channel, measure.label, measure.read, start, stop, counts, measure.states)


@lru_cache(maxsize=64)
def _power(word: int) -> int | None:
    """A scale factor; a device has a dozen, and mostly the same from poll to poll."""
    return scale_factor((word,))


def _decode(layout: _Layout, words: Words, before: Words, after: Words) -> Decoded:
    """What the words of a cycle say. before, after: the guards' words, where there are any."""
    for at, model in layout.headers:
        if words[at] != model.id or words[at + 1] != model.length:
            raise MapMovedError(f"no model {model.id} at {model.first} any more, but {words[at]}, {words[at + 1]}")
    values: dict[str, float] = {}
    unusable: list[str] = []
    moved: list[str] = []
    # A counter that has counted nothing is a device waking up, in integers and floats alike: no value.
    for name, _, read, start, stop, counts, states in layout.plain:
        raw = read(words[start:stop])
        if raw is not None and not (counts and raw <= 0) and (states is None or raw in states):
            values[name] = float(raw)
    for factor, steps in layout.shared:
        power = _power(words[factor])
        for name, label, read, start, stop, counts, _ in steps:
            raw = read(words[start:stop])
            if raw is None or (counts and raw <= 0):
                continue
            if power is None:
                unusable.append(label)
            else:
                values[name] = float(scaled(raw, power))
    for factor, guard, (name, label, read, start, stop, counts, _) in layout.guarded:
        raw = read(words[start:stop])
        if raw is None or (counts and raw <= 0):
            continue
        # Read before the value: by the guards, or by an earlier request of the same cycle.
        first = before[guard] if before else words[factor] if factor < start else None
        power = _power(after[guard])
        if first != after[guard]:
            moved.append(label)
        elif power is None:
            unusable.append(label)
        else:
            values[name] = float(scaled(raw, power))
    return Decoded(values, tuple(unusable), tuple(moved))
