"""Which way power flows and what counts it: swapped inputs, turned signs and clamps, counters that stand or fall.

Rule: all of it needs power to flow. At night nothing of this is said, and it is said that it cannot be.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from watcher.collect.modbus.register_map import Counting, MapPoint, counts
from watcher.probe.layout import figure
from watcher.probe.readout import Readout, names
from watcher.probe.seen import GENERATION_METER, INVERTER, METER
from watcher.probe.sizes import estimates, ratio_power, times
from watcher.probe.suspicion import Fix, Suspect, Suspicion

MAKING_W, MAKING_OF_RATING = 100.0, 0.03
"""An inverter that gives more than this makes power; what is less may be its own consumption."""

LEAST_STEPS, LEAST_S = 4, 120.0
"""A counter is said to stand once so many of its steps were due, and so long a time has passed: some devices write
their counters once a minute."""

_INDEX, _EXPORT, _IMPORT = "energy_index", "energy_export", "energy_import"


@dataclass(frozen=True, slots=True)
class Flow:
    """The power that flows now. w: without sign; None where nothing says. source: what says so."""

    w: float | None
    source: str
    making: bool


def flow(readout: Readout, beside: Flow | None = None) -> Flow:
    """What this device makes or sees; a generation meter takes the inverter's word where that was read beside it."""
    if beside is not None and beside.w is not None and readout.facts.role == GENERATION_METER:
        return beside
    least = max(MAKING_W, MAKING_OF_RATING * (readout.facts.rating_w or 0.0))
    found = [one for one in estimates(readout) if one.name != "AC V x I"] or list(estimates(readout))
    if not found:
        return Flow(None, "", False)
    best = found[0]
    return Flow(best.w, best.name, best.w >= least)


def turned_signs(readout: Readout) -> Iterator[Suspicion]:
    """An inverter that takes power while its panels give some, or a DC side below nought."""
    if readout.facts.role not in (INVERTER, "unknown") or readout.facts.battery_on_dc:
        return
    if readout.of_quantity("state_of_charge"):
        return
    dc = [p for p in readout.of_quantity("dc_power", "dc_current") if _all_below(readout, p, 20.0, 0.2)]
    found = list(dc)
    ac = readout.find("ac_power")
    making = [one for one in estimates(readout) if one.side == "dc" and one.w >= MAKING_W]
    if ac is not None and _all_below(readout, ac, MAKING_W, 0.0) and making:
        found.append(ac)
    if found:
        yield Suspicion(
            Suspect.SIGN,
            names(found),
            "Negative while the panels make power.",
            tuple(f"{p.name}: {figure(readout.values(p)[-1])} {p.quantity.unit}" for p in found),
            tuple(Fix(p.name, "sign", -1 if p.scale > 0 else 1) for p in found),
        )


def _all_below(readout: Readout, point: MapPoint, w: float, a: float) -> bool:
    least = a if point.quantity.unit == "A" else w
    values = readout.values(point)
    return bool(values) and all(value < -least for value in values)


def swapped_inputs(readout: Readout) -> Iterator[Suspicion]:
    """Two inputs that show each other's strings, by their voltage or by their power."""
    volts, amps, watts = (readout.parts(q) for q in ("dc_voltage", "dc_current", "dc_power"))
    parts = sorted(volts)
    for at, one in enumerate(parts):
        for two in parts[at + 1 :]:
            pair = _by_voltage(readout, one, two, volts, amps, watts) or _by_power(one, two, volts, amps, watts)
            if pair is None:
                continue
            quantities, evidence, advice = pair
            fixes = [
                Fix(f"{part}.{quantity}", "part", other)
                for quantity in quantities
                for part, other in ((one, two), (two, one))
                if readout.find(f"{part}.{quantity}")
            ]
            told = f"{one} and {two} show each other's strings."
            points = tuple(fix.name for fix in fixes)
            yield Suspicion(Suspect.SWAPPED_INPUTS, points, told, evidence, tuple(fixes), advice)
            return


_Pair = tuple[tuple[str, ...], tuple[str, ...], str]
_Parts = Mapping[str, float]


def _by_voltage(readout: Readout, one: str, two: str, volts: _Parts, amps: _Parts, watts: _Parts) -> _Pair | None:
    facts = readout.facts.inputs
    expected_one = facts[one].string_v if one in facts else None
    expected_two = facts[two].string_v if two in facts else None
    if not expected_one or not expected_two or volts[one] <= 0 or volts[two] <= 0:
        return None
    if any(amps.get(part, 0) < 0.3 and watts.get(part, 0) < 50 for part in (one, two)):
        return None  # a string that gives nothing stands at its open voltage, and tells little
    apart = math.log(expected_one / expected_two)
    seen = math.log(volts[one] / volts[two])
    # The strings are equally warm, so the ratio holds where the voltages themselves move by a tenth.
    if abs(apart) < math.log(1.15) or abs(seen + apart) > 0.35 * abs(apart):
        return None
    evidence = tuple(
        f"{part}: {figure(volts[part])} V, its modules {figure(own)} V, the other's {figure(other)} V"
        for part, own, other in ((one, expected_one, expected_two), (two, expected_two, expected_one))
    )
    advice = "If the cables are swapped instead, correct `input` in the site file, not the map."
    return ("dc_voltage", "dc_current", "dc_power", "operating_state", "event_bits"), evidence, advice


def _by_power(one: str, two: str, volts: _Parts, amps: _Parts, watts: _Parts) -> _Pair | None:
    if not all(part in known for part in (one, two) for known in (amps, watts)):
        return None
    own = [(watts[part], volts[part] * amps[part]) for part in (one, two)]
    crossed = [(watts[one], volts[one] * amps[two]), (watts[two], volts[two] * amps[one])]

    def near(pairs: Sequence[tuple[float, float]], within: float) -> bool:
        return all(p > 50 and abs(p - vi) <= within * p for p, vi in pairs)

    if not near(crossed, 0.06) or any(abs(p - vi) <= 0.15 * p for p, vi in own):
        return None
    evidence = tuple(
        f"{part}: {figure(p)} W, with its own current {figure(vi)} W, with the other's {figure(x)} W"
        for part, (p, vi), (_, x) in zip((one, two), own, crossed, strict=True)
    )
    return ("dc_current",), evidence, ""


def meter_direction(readout: Readout, now: Flow) -> Iterator[Suspicion]:
    """A generation meter that sees the house's side: by its totals, by what moves, or by its power."""
    if readout.facts.role != GENERATION_METER:
        return
    counted, other = (_EXPORT, _IMPORT) if readout.facts.counts == "exported" else (_IMPORT, _EXPORT)
    index = readout.find(_INDEX)
    own, against = readout.find(counted), readout.find(other)
    if index is None and own is not None and against is not None:
        yield from _two_registers(readout, now, own, against)
        return
    power = readout.find("ac_power")
    if power is None or not now.making or readout.standard or index is None:
        return
    values = readout.values(power)
    if values and all(value <= -MAKING_W for value in values) and not _moved(readout, index):
        yield Suspicion(
            Suspect.CLAMP,
            (power.name,),
            "The meter's power is negative while the panels make power.",
            (f"{power.name}: {figure(values[-1])} W; {now.source}: {figure(now.w or 0)} W",),
            (Fix(power.name, "sign", -1 if power.scale > 0 else 1),),
            "If its index falls or stands at noon, a competent person should turn the clamp or the meter.",
        )


def _two_registers(readout: Readout, now: Flow, own: MapPoint, against: MapPoint) -> Iterator[Suspicion]:
    totals = [max(readout.values(p), default=0.0) for p in (own, against)]
    evidence = [f"{p.name}: {figure(total / 1000)} kWh in all" for p, total in zip((own, against), totals, strict=True)]
    moved = [_moved(readout, p) for p in (own, against)]
    evidence += [f"{p.name} moved by {figure(by)} Wh" for p, by in zip((own, against), moved, strict=True) if by]
    turned = moved[1] > 0 and moved[0] <= 0 and now.making
    other_way = "imported" if readout.facts.counts == "exported" else "exported"
    if totals[1] >= 50_000 and totals[1] > 20 * totals[0]:
        yield Suspicion(
            Suspect.IMPORT_EXPORT,
            names((own, against)),
            f"A generation meter should count in {own.name}, and nearly all of it is in {against.name}.",
            tuple(evidence),
            (Fix(own.name, "quantity", against.name), Fix(against.name, "quantity", own.name)),
            f'Where the map is right, the site file should say counts = "{other_way}".',
        )
    elif turned:
        yield Suspicion(
            Suspect.CLAMP,
            names((own, against)),
            f"The panels make power, and {against.name} counts it instead of {own.name}.",
            (*evidence, f"{now.source}: {figure(now.w or 0)} W"),
            advice="The clamp or the meter was turned round. A competent person should turn it back; "
            f'or, where it was always so, the site file should say counts = "{other_way}".',
        )


def _moved(readout: Readout, point: MapPoint) -> float:
    values = readout.values(point)
    return values[-1] - values[0] if len(values) > 1 else 0.0


def falling(readout: Readout, now: Flow) -> Iterator[Suspicion]:
    """A register that should only count up and went down.

    A generation meter whose register nets falls at night by what the inverter itself takes; by day it must not.
    """
    if readout.facts.role == GENERATION_METER and not now.making:
        return
    for point in (p for p in readout.points if counts(p.quantity)):
        values = [value for value in readout.values(point) if value > 0]  # nought is a device waking up
        if any(later < earlier for earlier, later in pairwise(values)):
            meter = readout.facts.role in (GENERATION_METER, METER)
            yield Suspicion(
                Suspect.CLAMP if meter else Suspect.FALLS,
                (point.name,),
                "A counter that only counts up went down.",
                (f"{point.name}: {figure(values[0])}, then {figure(min(values))} {point.quantity.unit}",),
                () if meter else (Fix(point.name, "counter", str(Counting.NONE)),),
                "A meter that runs back sees its power the wrong way round: have the clamp or the meter turned."
                if meter
                else "",
            )


def standing(readout: Readout, now: Flow) -> Iterator[Suspicion]:
    """A counter that stands, or counts ten times too fast or slow, while power flows."""
    for point, due in _due(readout, now):
        step = step_of(readout, point)
        moved = _moved(readout, point)
        seen = f"{point.name}: {figure(moved)} Wh in {readout.elapsed_s:.0f} s; {now.source} says {figure(due)} Wh"
        if moved == 0 and due >= LEAST_STEPS * step and readout.elapsed_s >= LEAST_S:
            yield Suspicion(
                Suspect.STANDS,
                (point.name,),
                "This counter stands while power flows.",
                (seen,),
                (Fix(point.name, "counter", str(Counting.NONE)),),
                "Look again with --seconds 900 before it is given up.",
            )
        elif _keeps_up(readout, point, step) and due > 0 and (power := ratio_power(moved / due)):
            scale = float(step_scale(point).scaleb(-power)) if point.scale_register is None else None
            fixes = () if scale is None else (Fix(point.name, "scale", scale),)
            told = f"It counts {times(-power)} what flows."
            yield Suspicion(Suspect.FACTOR, (point.name,), told, (seen,), fixes)


def _keeps_up(readout: Readout, point: MapPoint, step: float) -> bool:
    """Whether a counter moves often enough to tell its pace: one written by the quarter of an hour leaps."""
    values = readout.values(point)
    often = len(values) > 2 and all(later > earlier for earlier, later in pairwise(values))
    return often and readout.elapsed_s >= LEAST_S and _moved(readout, point) >= 5 * step


def too_short(readout: Readout, now: Flow) -> Iterator[tuple[str, float]]:
    """Counters that may well stand, and the seconds it would take to tell."""
    if not now.making or not now.w:
        return
    for point, _ in _due(readout, now):
        needed_s = max(LEAST_S, LEAST_STEPS * step_of(readout, point) / now.w * 3600)
        if _moved(readout, point) == 0 and readout.elapsed_s < needed_s:
            yield point.name, needed_s


def _due(readout: Readout, now: Flow) -> Iterator[tuple[MapPoint, float]]:
    """Counters of what flows, and what should have come to them. [Wh]"""
    if not now.making or now.w is None:
        return
    role = readout.facts.role
    wanted = {"ac_energy"}
    if role == GENERATION_METER:
        counted = _EXPORT if readout.facts.counts == "exported" else _IMPORT
        wanted = {_INDEX} if readout.find(_INDEX) else {counted}
    elif role == METER:
        return
    for name in wanted:
        point = readout.find(name)
        if point is not None and readout.values(point):
            yield point, now.w * readout.elapsed_s / 3600.0


def step_scale(point: MapPoint) -> Decimal:
    return abs(point.scale)


def step_of(readout: Readout, point: MapPoint) -> float:
    """The smallest step a counter shows. [Wh]

    A float shows what its digits hold. A register may count in coarser steps than its scale lets it, as a meter does
    that shows tenths of a kWh: a number that ends in noughts is taken for one of those, which is wrong one time in ten
    and costs no more than patience.
    """
    values, bare = readout.values(point), readout.numbers(point)
    if not values or not bare:
        return 0.0
    if point.type.is_float:
        return abs(values[-1]) * 2.0**-23
    noughts = next((ten for ten in (10_000, 1_000, 100, 10) if all(number % ten == 0 for number in bare)), 1)
    if point.scale_register is not None:
        return noughts * (abs(values[-1] / bare[-1]) if bare[-1] else 1.0)
    return noughts * float(step_scale(point) * point.unit.factor)
