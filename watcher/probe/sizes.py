"""Numbers of the right shape and the wrong size: powers of ten, and kilo taken for one.

Rule: frequency and voltage are held against the grid; powers against each other (P, V times I, AC against DC), and only
where enough flows: at dusk an inverter's current is mostly reactive and says nothing of its power. Where two disagree
and a third is not there to decide, both are named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from watcher.collect.modbus.register_map import MapPoint
from watcher.collect.modbus.registers import scale_factor
from watcher.probe.layout import figure
from watcher.probe.plausible import HOME_W, Fit, fit, fit_of
from watcher.probe.readout import FREQUENCY, Readout, names, words_of
from watcher.probe.suspicion import Fix, Suspect, Suspicion
from watcher.table.units import units_of

LEAST_W, LEAST_OF_RATING = 500.0, 0.15
"""Powers below this are not held against each other."""

NEAR = (0.78, 1.28)
"""How far two ways to the same power may differ: a power factor of 0.8, a DC side with 20 % more."""

_POWERS = (-3, -2, -1, 1, 2, 3)


def ratio_power(ratio: float) -> int | None:
    """The power of ten a ratio is near to (0 where it is near to one); None where it is near to none."""
    if not 1e-4 < ratio < 1e4:
        return None
    power = round(math.log10(ratio))
    return power if NEAR[0] <= ratio / 10.0**power <= NEAR[1] and abs(power) <= 3 else None


def anchors(readout: Readout) -> Iterator[Suspicion]:
    """Frequency not near 50, voltage not near 230, a string's voltage not near its modules'."""
    for quantity, usual in ((FREQUENCY, "50 Hz"), ("ac_voltage", "230 V"), ("dc_voltage", "its modules")):
        by_power: dict[int, list[MapPoint]] = {}
        for point in readout.of_quantity(quantity):
            power = _off_by(readout, point)
            if power:
                by_power.setdefault(power, []).append(point)
        for power, points in by_power.items():
            last = {p.name: readout.values(p)[-1] for p in points}
            evidence = tuple(f"{n}: {figure(v)} as mapped, {figure(v / 10.0**power)} fits" for n, v in last.items())
            yield _suspicion(readout, points, power, f"Not near {usual}; {times(power)} it would be.", evidence)


def _off_by(readout: Readout, point: MapPoint) -> int:
    """The power of ten by which a point is too large."""
    values, facts = readout.values(point), readout.facts
    expected = _string_v(readout, point)
    if expected and values:
        ratio = values[-1] / expected
        return next((power for power in (0, *_POWERS) if 0.6 <= ratio / 10.0**power <= 1.4), 0)
    if point.quantity.name == "dc_voltage" or fit_of(readout, point) is not Fit.ODD:
        return 0
    fitting = [p for p in _POWERS if fit(point, [value / 10.0**p for value in values], facts) is Fit.FITS]
    return min(fitting, key=abs, default=0)


def _string_v(readout: Readout, point: MapPoint) -> float | None:
    """The voltage an input should have while its current flows; None where that is not known or none flows."""
    part = point.name.rpartition(".")[0]
    input = readout.facts.inputs.get(part)
    if point.quantity.name != "dc_voltage" or input is None:
        return None
    current, power = readout.mean(f"{part}.dc_current"), readout.mean(f"{part}.dc_power")
    return input.string_v if (current or 0) > 0.1 or (power or 0) > 20 else None


@dataclass(frozen=True, slots=True)
class Estimate:
    """One way to a plant's power. points: what it is made of, the one most likely wrong first. [W]"""

    name: str
    side: str
    w: float
    points: tuple[str, ...]


def estimates(readout: Readout) -> tuple[Estimate, ...]:
    """Every way to the power there is in the values, its size without its sign."""
    found = []
    if (power := readout.mean("ac_power")) is not None:
        found.append(Estimate("ac_power", "ac", abs(power), ("ac_power",)))
    if ac := _ac_product(readout):
        found.append(Estimate("AC V x I", "ac", *ac))
    if dc := readout.parts("dc_power"):
        points = tuple(f"{part}.dc_power" for part in dc)
        found.append(Estimate("dc_power of inputs", "dc", abs(sum(dc.values())), points))
    elif (total := readout.mean("dc_power")) is not None:
        found.append(Estimate("dc_power", "dc", abs(total), ("dc_power",)))
    volts, amps = readout.parts("dc_voltage"), readout.parts("dc_current")
    both = [part for part in volts if part in amps]
    if both and len(both) >= len(dc):
        product = abs(sum(volts[part] * amps[part] for part in both))
        found.append(Estimate("DC V x I", "dc", product, tuple(f"{part}.dc_current" for part in both)))
    elif (v := readout.mean("dc_voltage")) and (i := readout.mean("dc_current")):
        found.append(Estimate("DC V x I", "dc", abs(v * i), ("dc_current",)))
    return tuple(found)


def _ac_product(readout: Readout) -> tuple[float, tuple[str, ...]] | None:
    volts, amps = readout.parts("ac_voltage"), readout.parts("ac_current")
    good = {part: v for part, v in volts.items() if 190 <= v <= 275}
    total = readout.mean("ac_current")
    plain = readout.mean("ac_voltage")
    if amps and set(amps) <= set(good):
        return abs(sum(good[part] * amps[part] for part in amps)), tuple(f"{part}.ac_current" for part in amps)
    if total is None:
        return None
    if good:
        return abs(sum(good.values()) / len(good) * total), ("ac_current",)
    return (abs(plain * total), ("ac_current",)) if plain is not None and 190 <= plain <= 275 else None


def enough(readout: Readout, found: Sequence[Estimate]) -> bool:
    """Whether enough flows to hold powers against each other."""
    rating = readout.facts.rating_w
    return max((one.w for one in found), default=0.0) >= max(LEAST_W, LEAST_OF_RATING * (rating or 0.0))


def powers(readout: Readout) -> Iterator[Suspicion]:
    """A power that is ten, a hundred or a thousand times what the other ways to it say."""
    found = estimates(readout)
    sides = (
        [("ac",), ("dc",)] if readout.facts.battery_on_dc or readout.of_quantity("state_of_charge") else [("ac", "dc")]
    )
    for side in sides:
        ways = [one for one in found if one.side in side and one.w > 0]
        if enough(readout, ways):
            yield from _disagreeing(readout, ways)


def _disagreeing(readout: Readout, ways: Sequence[Estimate]) -> Iterator[Suspicion]:
    groups: dict[int, list[Estimate]] = {}
    for one in ways:
        power = ratio_power(one.w / ways[0].w)
        if power is None:
            return  # two ways that differ by no power of ten: not a matter of scale
        groups.setdefault(power, []).append(one)
    if len(groups) < 2:
        yield from _too_large(readout, ways)
        return
    right = max(groups, key=lambda power: (len(groups[power]), _credible(readout, groups[power]), -abs(power)))
    sure = len(groups[right]) > 1 or sum(_credible(readout, group) for group in groups.values()) == 1
    reference = groups[right][0]
    for power, wrong in groups.items():
        for one in wrong if power != right else ():
            points = [p for name in one.points if (p := readout.find(name))]
            off = power - right
            evidence = tuple(f"{way.name}: {figure(way.w)} W" for way in ways)
            told = f"{one.name} is {times(-off)} what {reference.name} says."
            if not sure:
                told += f" Which of the two is wrong the numbers do not tell ({', '.join(reference.points)})."
            yield _suspicion(readout, points, off, told, evidence)


def _credible(readout: Readout, group: Sequence[Estimate]) -> bool:
    top = 1.3 * (readout.facts.rating_w or HOME_W)
    return all(20.0 <= one.w <= top for one in group)


def _too_large(readout: Readout, ways: Sequence[Estimate]) -> Iterator[Suspicion]:
    """A single way, or all agreeing, above what the site's inverter can give."""
    rating = readout.facts.rating_w
    point = readout.find("ac_power")
    if rating is None or point is None or len(ways) != 1 or ways[0].name != "ac_power" or ways[0].w <= 1.3 * rating:
        return
    power = next((p for p in (1, 2, 3) if 0.02 * rating <= ways[0].w / 10.0**p <= 1.1 * rating), None)
    if power is not None:
        evidence = (f"ac_power: {figure(ways[0].w)} W; the inverter is rated {figure(rating)} W",)
        yield _suspicion(readout, [point], power, "More than the inverter can give.", evidence)


def times(power: int) -> str:
    """Ten to minus the power, as it stands before "of it" or "what it says"."""
    return _TIMES[power]


_TIMES = {
    1: "a tenth of",
    2: "a hundredth of",
    3: "a thousandth of",
    -1: "ten times",
    -2: "a hundred times",
    -3: "a thousand times",
}


def _suspicion(
    readout: Readout, points: Sequence[MapPoint], power: int, told: str, evidence: tuple[str, ...]
) -> Suspicion:
    fixes = tuple(_rescaled(readout, point, power) for point in points)
    kilo = all(fix.key == "unit" for fix in fixes)
    return Suspicion(Suspect.KILO if kilo else Suspect.FACTOR, names(points), told, evidence, fixes)


def _rescaled(readout: Readout, point: MapPoint, power: int) -> Fix:
    """The key that makes a point smaller by ten to the power."""
    units = units_of(point.quantity)
    wanted = point.unit.factor / Decimal(10) ** power
    if abs(power) == 3 and point.unit.before == 0:
        unit = next((name for name, one in units.items() if one.factor == wanted and one.before == 0), None)
        if unit is not None:
            return Fix(point.name, "unit", unit)
    return Fix(point.name, "scale", float(_scale_now(readout, point).scaleb(-power)))


def _scale_now(readout: Readout, point: MapPoint) -> Decimal:
    """What one step is worth as mapped, whether the map says so or the device does."""
    scale = abs(point.scale)
    if point.scale_register is None:
        return scale
    words = words_of(readout.samples[-1], point.scale_register)
    factor = None if words is None else scale_factor(words)
    return scale.scaleb(factor or 0)
