"""How registers are read: absent codes, table, address, order of bytes and words, sign. The faults of a map.

Rule: a reading is suspected only where it is odd as mapped and fits when read otherwise, or where the half of a number
that should move stands still while the other moves. Where both readings fit, nothing is said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.map_numbers import decoder
from watcher.collect.modbus.register_map import MapPoint, NumberType, Order
from watcher.collect.modbus.registers import scale_factor
from watcher.domain.quantity import Kind
from watcher.probe.plausible import Fit, fit, fit_of
from watcher.probe.readout import (
    ANCHORS,
    Readout,
    hex_words,
    names,
    of_type,
    shifted,
    turned,
    value,
    words_of,
)
from watcher.probe.suspicion import Fix, Suspect, Suspicion

_SIGNED = {t: NumberType(f"u{t}") for t in (NumberType.INT16, NumberType.INT32, NumberType.INT64)}
_UNSIGNED = {theirs: ours for ours, theirs in _SIGNED.items()}
_CODES = (Kind.STATE, Kind.BITS)


def sentinels(readout: Readout) -> Iterator[Suspicion]:
    """A code for "no value" that the map takes for a value. The standard's own codes are known, and all of them."""
    if readout.standard:
        return
    for point in readout.points:
        if point.type.is_float or point.quantity.kind is Kind.STATE:
            continue
        low, high = point.type.range
        certain = high if not point.type.is_signed else low  # all ones, or the lowest number
        seen = set(readout.numbers(point)) - {float(one) for one in point.sentinels}
        codes = {float(certain), float(high), float((1 << point.type.bits - 1) - 1), float(1 << point.type.bits - 1)}
        # The others are numbers too, and suspected only where no home shows them.
        found = seen & ({float(certain)} if fit_of(readout, point) is not Fit.ODD else codes)
        if not found:
            continue
        code = int(max(found))
        shown = next(w for w in readout.words(point) if w is not None)
        listed = (*sorted(int(one) for one in point.sentinels), code)
        yield Suspicion(
            Suspect.SENTINEL,
            (point.name,),
            "This is a code for 'no value', shown as a value.",
            (f"{point.name}: {hex_words(shown)} is {code} as {point.type}",),
            (Fix(point.name, "sentinels", listed),),
        )


def missing(readout: Readout) -> Iterator[Suspicion]:
    """Registers the device does not have, in the table they are looked for in or at all."""
    elsewhere = [p for p in readout.silent if value(_in_other_table(p), readout.samples[0]) is not None]
    if elsewhere:
        other = elsewhere[0].value.table
        told = "input registers (function 4)" if other is Table.HOLDING else "holding registers (function 3)"
        yield Suspicion(
            Suspect.WRONG_TABLE,
            names(elsewhere),
            f"Not answered where the map looks, but among the {told}.",
            (f"{len(elsewhere)} of {len(readout.registers.read_points())} points are in the other table",),
            tuple(Fix(point.name, "function", int(_in_other_table(point).value.table)) for point in elsewhere),
        )
    lost = {p.name: f"function {int(p.value.table)}, address {p.address}" for p in readout.silent if p not in elsewhere}
    for point in readout.points:
        factor = point.scale_register
        if factor is not None and words_of(readout.samples[-1], factor) is None:
            address = factor.first + point.address - point.value.first
            lost[point.name] = f"its power of ten, function {int(factor.table)}, address {address}"
    if lost:
        yield Suspicion(
            Suspect.NOT_ANSWERED,
            tuple(lost),
            "The device does not answer these registers.",
            tuple(f"{name}: {where}" for name, where in lost.items()),
            advice="Leave them out of the map if the device has none, or look up their address again.",
        )


def _in_other_table(point: MapPoint) -> MapPoint:
    other = Table.INPUT if point.value.table is Table.HOLDING else Table.HOLDING
    factor = point.scale_register
    return replace(
        point,
        value=replace(point.value, table=other),
        scale_register=None if factor is None else replace(factor, table=other),
    )


def whole_device(readout: Readout) -> Iterator[Suspicion]:
    """One slip that moves or turns every number at once: the address base, or the order of bytes."""
    if readout.standard:
        return
    for by in (-1, 1):
        found = _better(readout, lambda point, by=by: shifted(point, by))  # type: ignore[misc]
        if found is not None:
            yield _off_by_one(readout, by, found)
            return
    found = _better(readout, lambda point: replace(point, byte_order=turned(point.byte_order)))
    if found is not None:
        order = turned(found[0].byte_order)
        yield Suspicion(
            Suspect.BYTE_ORDER,
            names(found),
            "Read with the two bytes of each register the other way round, all of it fits.",
            tuple(_both(readout, p, replace(p, byte_order=order)) for p in found),
            tuple(Fix(p.name, "byte_order", str(order)) for p in readout.registers.points if not p.scale_register),
            whole=f'byte_order = "{order}"',
        )


def _off_by_one(readout: Readout, by: int, found: Sequence[MapPoint]) -> Suspicion:
    first = readout.registers.points[0]
    base = first.address - first.value.first
    every = [p for p in readout.registers.points if p.value.first + by >= 0]
    where = "before" if by < 0 else "after"
    if (base, by) in ((0, -1), (1, 1)) and len(every) == len(readout.registers.points):
        change = f"address_base = {1 - base}"
        fixes = tuple(Fix(p.name, "address_base", 1 - base, by) for p in every)
    else:
        change, fixes = f"address {by:+d}", tuple(Fix(p.name, "address", by=by) for p in every)
    return Suspicion(
        Suspect.OFF_BY_ONE,
        names(found),
        f"Everything fits one register {where} the place the map gives.",
        tuple(_both(readout, p, shifted(p, by)) for p in found),
        fixes,
        whole=change,
    )


def _better(readout: Readout, other: Callable[[MapPoint], MapPoint]) -> list[MapPoint] | None:
    """The points that were odd and fit when every point is read otherwise; None where that is no better."""
    repaired, odd, anchors = [], 0, 0
    for point in (p for p in readout.registers.read_points() if p.quantity.kind not in _CODES):
        now = fit_of(readout, point)
        then = fit_of(readout, other(point))
        anchor = point.quantity.name in ANCHORS
        if then is Fit.ODD or (anchor and now is Fit.FITS and then is not Fit.FITS):
            # A number of several registers may be in the wrong order besides; the short ones decide.
            if point.type.size == 1 or now is Fit.FITS:
                return None
            continue
        odd += now is Fit.ODD
        if now is Fit.ODD and then is Fit.FITS:
            repaired.append(point)
            anchors += anchor
    if not repaired or len(repaired) < odd:
        return None
    if anchors >= 2 or (anchors == 1 and not _only_ten(readout, repaired)) or (anchors == 0 and len(repaired) >= 3):
        return repaired
    return None


def _only_ten(readout: Readout, odd: Sequence[MapPoint]) -> bool:
    """Whether a power of ten would explain them as well."""

    def explained(point: MapPoint) -> bool:
        tens = (10.0**power for power in (-3, -2, -1, 1, 2, 3))
        return any(fit(point, [v * ten for v in readout.values(point)], readout.facts) is Fit.FITS for ten in tens)

    return all(explained(point) for point in odd if point.quantity.name in ANCHORS)


def _both(readout: Readout, point: MapPoint, other: MapPoint) -> str:
    """What a point says as mapped and read otherwise."""
    unit = point.quantity.unit
    return f"{point.name}: {_shown(readout, point)} as mapped, {_shown(readout, other)} otherwise [{unit}]"


def _shown(readout: Readout, point: MapPoint) -> str:
    values = readout.values(point)
    return figure(values[-1]) if values else "nothing"


def figure(value: float) -> str:
    """A value in few characters."""
    return f"{value:.6g}"


def word_order(readout: Readout) -> Iterator[Suspicion]:
    """Numbers of several registers whose registers stand in the other order."""
    if readout.standard:
        return
    found: dict[str, tuple[MapPoint, str]] = {}
    sound = 0  # numbers that fit as mapped and would not the other way round
    for point in (p for p in readout.points if p.type.size > 1 and p.quantity.kind not in _CODES):
        other = replace(point, word_order=turned(point.word_order))
        told = _told_by(readout, point, other)
        if told:
            found[point.name] = (point, told)
        elif fit_of(readout, point) is Fit.FITS and fit_of(readout, other) is Fit.ODD:
            sound += 1
    if not found:
        return
    order = turned(next(iter(found.values()))[0].word_order)
    # What reads the same either way, or nought just now, goes with its fellows unless one of them contradicts.
    every = [p for p in readout.registers.points if p.type.size > 1 and p.word_order is not order]
    concerned = every if not sound else [p for p, _ in found.values()]
    yield Suspicion(
        Suspect.WORD_ORDER,
        tuple(found),
        "The registers of these numbers stand in the other order.",
        tuple(told for _, told in found.values()),
        tuple(Fix(p.name, "word_order", str(order)) for p in concerned),
        whole="" if sound else f'word_order = "{order}"',
    )


def _told_by(readout: Readout, point: MapPoint, other: MapPoint) -> str:
    """How it shows that a number stands the other way round, or "" where it does not."""
    if fit_of(readout, other) is not Fit.FITS:
        return ""
    words = [w for w in readout.words(point) if w is not None]
    sizes = f"{_shown(readout, point)} as mapped, {_shown(readout, other)} otherwise"
    head = f"{point.name}: {hex_words(words[-1])} is {sizes}"
    moved = _moved(words)
    if fit_of(readout, point) is not Fit.FITS:
        return f"{head}; {moved}" if moved else f"{head}; no home shows the first"
    if point.type.is_float:
        return ""
    high, low = (0, -1) if point.word_order is Order.HIGH_FIRST else (-1, 0)
    if any(w[high] != words[0][high] for w in words) and all(w[low] == words[0][low] for w in words):
        return f"{head}; {moved}: the half that moves is the low one"
    if all(w[low] == 0 for w in words) and any(w[high] for w in words):
        return f"{head}; the half that should move is 0"
    return ""


def _moved(words: Sequence[tuple[int, ...]]) -> str:
    """Which registers of a number moved between the polls."""
    spot = [index for index in range(len(words[0])) if len({w[index] for w in words}) > 1]
    if not spot or len(spot) == len(words[0]):
        return ""
    stood = [index for index in range(len(words[0])) if index not in spot]
    moved = ", ".join(str(index + 1) for index in spot)
    return f"between polls register {moved} moved and {', '.join(str(i + 1) for i in stood)} stood"


def signs(readout: Readout) -> Iterator[Suspicion]:
    """A number below nought read as one far above, or the other way round."""
    for point in readout.points:
        if point.type.is_float or point.quantity.kind is not Kind.GAUGE or fit_of(readout, point) is not Fit.ODD:
            continue
        to = _UNSIGNED.get(point.type) or _SIGNED[point.type]
        other = of_type(point, to)
        if fit_of(readout, other) is not Fit.FITS or not _differs(readout, point, other):
            continue
        suspect = Suspect.SIGNED if to.is_signed else Suspect.UNSIGNED
        told = "below nought and read as if it could not be" if to.is_signed else "above the half and read as negative"
        yield Suspicion(
            suspect,
            (point.name,),
            f"This number is {told}.",
            (_both(readout, point, other),),
            (Fix(point.name, "type", str(to)),),
        )


def _differs(readout: Readout, point: MapPoint, other: MapPoint) -> bool:
    return readout.values(point) != readout.values(other)


def unexplained(readout: Readout) -> Iterator[Suspicion]:
    """What is odd and fits in no way tried."""
    for point in readout.points:
        if (factor := _no_factor(readout, point)) is not None:
            yield Suspicion(
                Suspect.IMPLAUSIBLE,
                (point.name,),
                "The number is there, and the power of ten that belongs to it is none.",
                (f"{point.name}: {factor:04X} is no power of ten from -10 to 10",),
            )
        if fit_of(readout, point) is Fit.ODD:
            yield Suspicion(
                Suspect.IMPLAUSIBLE,
                (point.name,),
                "No home shows this, and no other reading of it tried here fits.",
                (f"{point.name}: {_shown(readout, point)} {point.quantity.unit}".rstrip(),),
                advice="Compare it with the device's own display, and its address with the manual.",
            )


def _no_factor(readout: Readout, point: MapPoint) -> int | None:
    """What stands where the power of ten of a number should, if that is none."""
    sample = readout.samples[-1]
    words = None if point.scale_register is None else words_of(sample, point.scale_register)
    if words is None or scale_factor(words) is not None or not readout.numbers(point):
        return None
    held = set(readout.numbers(point)) - {float(one) for one in point.sentinels}
    return words[0] if held - {0.0} else None


def states_unknown(readout: Readout) -> Mapping[str, int]:
    """Operating states the map does not list, by point: no fault, but worth a line in the map."""
    found = {}
    for point in (p for p in readout.points if p.states is not None):
        words = next(w for sample in readout.samples if (w := words_of(sample, point.value)) is not None)
        bare = decoder(replace(point, states=None, sentinels=frozenset()))(words)
        if bare is not None and int(bare) not in (point.states or {}) and int(bare) not in point.sentinels:
            found[point.name] = int(bare)
    return found
