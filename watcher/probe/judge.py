"""Everything that looks wrong with one unit, in the order in which one fault can be taken for another.

Rule: each suspicion's fix is thought in before the next question is asked, so that one slip is one suspicion. Nothing
is said of a healthy device at noon, at dusk or at night; what cannot be told then is said instead.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial

from watcher.probe import flows, layout, sizes
from watcher.probe.readout import Readout
from watcher.probe.seen import GENERATION_METER, INVERTER, UnitSeen
from watcher.probe.suspicion import Judgement, Suspect, Suspicion, applied

_Question = Callable[[Readout], Iterator[Suspicion]]


def judge(seen: UnitSeen, beside: Sequence[UnitSeen] = ()) -> Judgement:
    """What looks wrong with a unit. beside: the units read in the same run, an inverter for its meter."""
    if seen.registers is None or not seen.samples:
        return Judgement()
    inverter = next((one for one in beside if one is not seen and one.facts.role == INVERTER), None)
    makes = None
    if inverter is not None and seen.facts.role == GENERATION_METER and inverter.registers is not None:
        repaired = judge(inverter).fixed
        makes = flows.flow(Readout.of(inverter, repaired or inverter.registers))
    readout = Readout.of(seen, seen.registers)
    found: list[Suspicion] = []
    readout = _asked(readout, found, _SHAPES)
    now = flows.flow(readout, makes)
    readout = _asked(
        readout,
        found,
        (
            partial(flows.falling, now=now),
            flows.turned_signs,
            flows.swapped_inputs,
            partial(flows.meter_direction, now=now),
            partial(flows.standing, now=now),
        ),
    )
    found += layout.unexplained(readout)
    return Judgement(tuple(_once(found)), tuple(_untold(readout, now, found)), readout.registers)


_SHAPES: tuple[_Question, ...] = (
    layout.sentinels,
    layout.whole_device,
    layout.missing,
    layout.word_order,
    layout.signs,
    sizes.anchors,
    sizes.powers,
)


def _asked(readout: Readout, found: list[Suspicion], questions: Iterable[_Question]) -> Readout:
    for question in questions:
        for suspicion in tuple(question(readout)):
            found.append(suspicion)
            readout = Readout(applied(readout.registers, suspicion), readout.samples, readout.facts, readout.standard)
    return readout


def _once(found: Sequence[Suspicion]) -> Iterator[Suspicion]:
    """A counter that falls is not also said to run the wrong way."""
    told: set[tuple[Suspect, str]] = set()
    for suspicion in found:
        if not all((suspicion.suspect, name) in told for name in suspicion.points):
            yield suspicion
        told |= {(suspicion.suspect, name) for name in suspicion.points}


def _untold(readout: Readout, now: flows.Flow, found: Sequence[Suspicion]) -> Iterator[str]:
    if not now.making:
        flowing = "No power is read" if now.w is None else "Little or no power flows"
        yield (
            f"{flowing}, as at night: swapped inputs, a turned clamp, powers that do not agree and counters that "
            "stand cannot be told now. Look again around noon."
        )
    elif not sizes.enough(readout, sizes.estimates(readout)) and readout.facts.role != GENERATION_METER:
        yield "Too little flows to hold powers against each other. Look again around noon."
    if len(readout.samples) < 2:
        yield "One poll only: nothing that moves can be told."
    blamed = {name for suspicion in found for name in suspicion.points}
    for name, needed_s in flows.too_short(readout, now):
        if name not in blamed:
            yield f"{name} did not move; whether it counts takes --seconds {round_up(needed_s)} at this power."
    nought = [
        p.name for p in readout.points
        if p.type.size > 1 and not readout.standard and all(not any(w) for w in readout.words(p) if w)
    ]  # fmt: skip
    if nought:
        yield f"Word order cannot be told while a number is 0: {', '.join(nought)}."
    inputs = readout.facts.inputs
    if readout.facts.role == INVERTER and now.making and len(readout.parts("dc_voltage")) > 1:
        if not inputs:
            yield "Whether inputs are swapped needs the site file: --site ID."
        elif any(one.string_v is None for one in inputs.values()):
            yield "Whether inputs are swapped needs modules_in_series and vmp_v of every array in the site file."
    for name, state in layout.states_unknown(readout).items():
        yield f"{name} is {state}, a state the map does not list: it says nothing."


def round_up(seconds: float) -> int:
    return -(-int(seconds + 0.999) // 60) * 60
