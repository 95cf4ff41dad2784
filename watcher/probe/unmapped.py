"""Registers nobody has described: which of them look like numbers one would know.

Rule: hints, not findings. A register that looks like the grid's frequency or voltage is named, for little else looks
like them; of pairs it is said how they read as one number and which half moves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from watcher.collect.modbus.blocks import Span, Table
from watcher.collect.modbus.register_map import MapPoint, NumberType, RegisterMap
from watcher.collect.modbus.registers import float32, joined
from watcher.probe.layout import figure
from watcher.probe.readout import FREQUENCY, VOLTAGE
from watcher.probe.seen import Place, Sample

MOST_HINTS = 60


@dataclass(frozen=True, slots=True)
class Hint:
    """place: of the first register. words: as last read. reads: what it could be, as text."""

    place: Place
    words: tuple[int, ...]
    reads: str


def hints(samples: Sequence[Sample]) -> tuple[Hint, ...]:
    """What the answered registers look like, in order of place."""
    held = [place for place in sorted(samples[-1].words) if all(place in sample.words for sample in samples)]
    found: list[Hint] = []
    taken: set[Place] = set()
    for place in held:
        after = (place[0], place[1] + 1)
        if place in taken:
            continue
        if after in samples[-1].words and (pair := _pair(place, after, samples)):
            found.append(pair)
            taken |= {place, after}
        elif single := _single(place, samples):
            found.append(single)
    return tuple(found)


def _history(place: Place, samples: Sequence[Sample]) -> tuple[int, ...]:
    return tuple(sample.words[place] for sample in samples if place in sample.words)


def _single(place: Place, samples: Sequence[Sample]) -> Hint | None:
    words = _history(place, samples)
    last = words[-1]
    told = [f"{what}, scale {scale}" for what, scale, _ in _known(words)]
    if not told and len(set(words)) > 1:
        told = [f"{last}, moving ({words[0]} before)"]
    return Hint(place, (last,), "; ".join(told)) if told else None


def _known(words: Sequence[int]) -> Iterator[tuple[str, str, str]]:
    """What a single register is, that is known by its number alone: what, scale, quantity."""
    for scale, low, high in (("0.01", 4950, 5050), ("0.1", 495, 505)):
        if all(low <= word <= high for word in words):
            yield f"{figure(words[-1] * float(scale))} Hz", scale, FREQUENCY
    if all(2160 <= word <= 2530 for word in words):
        yield f"{figure(words[-1] / 10)} V", "0.1", VOLTAGE


def _pair(first: Place, second: Place, samples: Sequence[Sample]) -> Hint | None:
    one, two = _history(first, samples), _history(second, samples)
    last = (one[-1], two[-1])
    alone = [f"{what}, scale {scale}" for words in (one, two) for what, scale, _ in _known(words)]
    if alone and all(last):
        return None  # one of the two is known by itself
    told = []
    for order, words in (("high-first", last), ("low-first", last[::-1])):
        real = float32(words)
        if real is not None and 1e-2 <= abs(real) <= 1e7 and words[0] not in (0, 0xFFFF):
            told.append(f"float32 {order}: {figure(real)}")
    moves = (len(set(one)) > 1, len(set(two)) > 1)
    if (moves == (False, True) and 0 < one[-1] < 0x4000) or (one[-1] == 0 and two[-1] and moves[1]):
        told.append(f"int32 high-first: {joined(last)}, its second register moves")
    if (moves == (True, False) and 0 < two[-1] < 0x4000) or (two[-1] == 0 and one[-1] and moves[0]):
        told.append(f"int32 low-first: {joined(last[::-1])}, its first register moves")
    return Hint(first, last, "; or ".join([*told, *alone])) if told else None


def guessed(samples: Sequence[Sample]) -> RegisterMap | None:
    """A map of the registers that are known by their number alone; None where there are none.

    Of several that look like the frequency the first is taken; of those like a voltage up to three, as phases. What
    stands beside a nought may be half of a larger number, and is left out.
    """
    points: list[MapPoint] = []
    counted: dict[str, int] = {FREQUENCY: 0, VOLTAGE: 0}
    for place in sorted(samples[-1].words):
        known = list(_known(_history(place, samples)))
        if len(known) != 1 or any(samples[-1].words.get((place[0], place[1] + by)) == 0 for by in (-1, 1)):
            continue
        _, scale, quantity = known[0]
        counted[quantity] += 1
        if counted[quantity] > (1 if quantity == FREQUENCY else 3):
            continue
        name = quantity if quantity == FREQUENCY else f"l{counted[quantity]}.{quantity}"
        table, address = place
        points.append(_guess(name, table, address, scale))
    return RegisterMap("found", "found by reading, known by its numbers alone", tuple(points)) if points else None


def _guess(name: str, table: Table, address: int, scale: str) -> MapPoint:
    return MapPoint(name, address, NumberType.UINT16, Span(address, 1, table), scale=Decimal(scale))


def answered(samples: Sequence[Sample]) -> Mapping[Table, tuple[tuple[int, int], ...]]:
    """The stretches of registers that were answered, by table: first and last address."""
    found: dict[Table, list[tuple[int, int]]] = {}
    for table, address in sorted(samples[-1].words):
        stretches = found.setdefault(table, [])
        if stretches and stretches[-1][1] == address - 1:
            stretches[-1] = (stretches[-1][0], address)
        else:
            stretches.append((address, address))
    return {table: tuple(stretches) for table, stretches in found.items()}
