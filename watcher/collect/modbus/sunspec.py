"""Finding a SunSpec map in a device: the marker, the chain of models, and what the first one says of the maker.

Rule: the chain is walked by each model's own length, never by a constant, and a model we do not know is stepped over.
A device that ends its map without the end model's length, or refuses to be read past its end, has still been read.
Sans-IO, as in blocks.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watcher.collect.modbus.blocks import ILLEGAL_FUNCTION, Asking, Blocks, Refused, Span, UnansweredError
from watcher.collect.modbus.models import COMMON, HEADER, IDENTITY, MODELS, MULTIPLE_INPUTS
from watcher.collect.modbus.registers import text, unsigned

BASES = (40000, 0, 50000)
"""Where a map may begin, zero-based, in the order in which the standard wants them tried."""

MARKER = (0x5375, 0x6E53)
"""The text SunS."""

END = 0xFFFF
_ADDRESSES = 0x1_0000


class NoMapError(Exception):
    """No SunSpec map was found, or not one that begins as a map must."""


@dataclass(frozen=True, slots=True)
class FoundModel:
    """A model where it stands. first: address of its ID register. length: as its L register says, header left out."""

    id: int
    first: int
    length: int

    @property
    def end(self) -> int:
        return self.first + HEADER + self.length


@dataclass(frozen=True, slots=True)
class DeviceMap:
    """models: in the chain's order. notes: what is odd about the map, as short texts for the log."""

    base: int
    models: tuple[FoundModel, ...]
    notes: tuple[str, ...] = ()


def discover() -> Asking[DeviceMap]:
    """Look for a map and walk its chain. NoMapError where there is none, UnansweredError where that cannot be told."""
    heard: list[str] = []
    for base in BASES:
        span = Span(base, len(MARKER))
        answer = yield span
        if isinstance(answer, Refused):
            if not (answer.not_like_this or answer.code == ILLEGAL_FUNCTION):
                raise UnansweredError(span, answer)  # in trouble: whether there is a map cannot be told now
            heard.append(f"exception {answer.code} at {base}")
        elif tuple(answer) == MARKER:
            return (yield from _walk(base))
        else:
            heard.append(f"no marker at {base}")
    raise NoMapError(", ".join(heard))


def _walk(base: int) -> Asking[DeviceMap]:
    models: list[FoundModel] = []
    notes: list[str] = []
    first = base + len(MARKER)
    while first + HEADER <= _ADDRESSES:
        model = yield from _header(first)
        if model is None:
            break
        if not models and model.id != COMMON:
            raise NoMapError(f"the map at {base} begins with model {model.id} instead of {COMMON}")
        if model.end > _ADDRESSES:
            notes.append(f"model {model.id} at {first} claims {model.length} registers and ends past the last address")
            break
        models.append(model)
        if model.id == MULTIPLE_INPUTS:
            notes += yield from _check_inputs(model)
        first = model.end
    if not models:
        raise NoMapError(f"the map at {base} holds no model")
    return DeviceMap(base, tuple(models), tuple(notes))


def _header(first: int) -> Asking[FoundModel | None]:
    """The model that begins at an address; None where the map ends there, properly or not."""
    span = Span(first, HEADER)
    answer = yield span
    if isinstance(answer, Refused):
        if not answer.not_like_this:
            raise UnansweredError(span, answer)
        # Some devices end with an ID and no length, others without either. Whatever may stand in the one register
        # that is left, it is no model we could step over.
        return None
    id, length = answer
    return None if id == END else FoundModel(id, first, length)


def _check_inputs(model: FoundModel) -> Asking[list[str]]:
    """Hold the number of inputs the model states against its length, which is what counts."""
    notes = []
    if not MODELS[model.id].fits(model.length):
        notes.append(f"model {model.id} has a length of {model.length}, which is not that of whole inputs")
    stated = MODELS[model.id].points["N"]
    answer = yield Span(model.first + stated.offset, stated.size)
    number = None if isinstance(answer, Refused) else unsigned(answer)
    room = MODELS[model.id].blocks_in(model.length)
    if number is not None and number != room:
        notes.append(f"model {model.id} states {number} inputs and has room for {room}")
    return notes


def _identity_spans(model: FoundModel) -> Mapping[str, Span]:
    spans = {}
    for key, name in IDENTITY.items():
        point = MODELS[COMMON].points[name]
        if point.offset + point.size <= HEADER + model.length:
            spans[key] = Span(model.first + point.offset, point.size)
    return spans


def read_identity(found: DeviceMap, now_ms: int) -> Asking[Mapping[str, str]]:
    """Maker, model, version and serial as the device writes them; what it leaves empty is left out."""
    spans = _identity_spans(found.models[0])
    blocks = Blocks(spans.values())
    words = yield from blocks.read(now_ms)
    said = {}
    for key, span in spans.items():
        at = blocks.place(span)
        read = None if at is None else text(words[at : at + span.count])
        if read is not None:
            said[key] = read
    return said
