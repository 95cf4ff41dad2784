"""A probe as text for a phone held in one hand: 60 columns, no colour, one thing under another.

Rule: every line fits; words that must be told apart are words, never marks or colours alone. What is printed here is
what a bundle keeps.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from watcher.collect.modbus.register_map import MapPoint
from watcher.probe.readout import Readout, hex_words
from watcher.probe.seen import UnitSeen
from watcher.probe.suspicion import Judgement, Suspicion, grouped
from watcher.probe.unmapped import MOST_HINTS, answered, hints

WIDTH = 60

SAFETY_BEFORE = (
    "This only reads. It changes nothing on the device.",
    "Do it standing safely, not on a ladder. Leave every cover closed: nothing here needs one open.",
)
SAFETY_AFTER = (
    "Nothing was changed on the device.",
    "RS-485 terminals inside an inverter are for the competent, with its supplies isolated as the maker's "
    "instructions and local rules say. Direct current from lit panels does not switch off.",
)


def wrapped(text: str, first: str = "", rest: str | None = None) -> Iterator[str]:
    """A sentence in lines that fit; words too long for a line are cut."""
    yield from textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=first if rest is None else rest, break_on_hyphens=False
    ) or [first.rstrip()]


def safety(lines: Sequence[str]) -> Iterator[str]:
    for line in lines:
        yield from wrapped(line)


def unit_page(seen: UnitSeen, judgement: Judgement) -> Iterator[str]:
    """Everything about one unit."""
    who = " ".join(seen.identity[key] for key in ("maker", "model", "version") if key in seen.identity)
    yield from wrapped(f"Unit {seen.unit}" + (f": {who}" if who else ""))
    yield "=" * min(WIDTH, 20)
    for note in seen.notes:
        yield from wrapped(note, "  ")
    yield from wrapped(_how_read(seen), "  ")
    yield ""
    if seen.registers is None:
        yield from _unmapped(seen)
        return
    readout = Readout.of(seen, seen.registers)
    for point in seen.registers.read_points():
        yield from _point(readout, point)
    yield ""
    yield from judged(judgement)


def _how_read(seen: UnitSeen) -> str:
    polls = len(seen.samples)
    span = (seen.samples[-1].time_ms - seen.samples[0].time_ms) / 1000.0 if polls else 0.0
    by = (
        "describes itself (SunSpec)"
        if seen.standard
        else (f'read by the map "{seen.registers.name}"' if seen.registers else "read without a map")
    )
    often = "1 poll" if polls == 1 else f"{polls} polls in {span:.0f} s"
    return f"{by}, {often}"


def _point(readout: Readout, point: MapPoint) -> Iterator[str]:
    """Name and value on one line; where it stands and its raw words on the next."""
    values = readout.values(point)
    words = [w for w in readout.words(point) if w is not None]
    unit = point.quantity.unit
    if not words:
        said = "not answered"
    elif not values:
        said = "no value"
    else:
        said = f"{_exact(values[-1])} {unit}".rstrip()
    yield _justified(point.name, said)
    span = point.value
    where = f"{span.table.name.lower()} {point.address}, {point.type}"
    moved = f" (was {hex_words(words[0])})" if words and words[0] != words[-1] else ""
    last = hex_words(words[-1]) if words else ""
    yield from wrapped(f"{where}: {last}{moved}" if last else where, "  ", "    ")
    factor = point.scale_register
    if factor is not None:
        at = readout.samples[-1].words.get((factor.table, factor.first))
        told = "not answered" if at is None else f"{at:04X}"
        yield f"    ten to the power at {factor.first + point.address - span.first}: {told}"


def _exact(value: float) -> str:
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else f"{value:.9g}"


def _justified(left: str, right: str) -> str:
    gap = WIDTH - len(left) - len(right)
    return f"{left}{' ' * max(1, gap)}{right}"[:WIDTH] if gap >= 1 else f"{left} {right}"[:WIDTH]


def judged(judgement: Judgement) -> Iterator[str]:
    """What looks wrong, numbered, and what could not be told."""
    count = len(judgement.suspicions)
    if count:
        yield "1 thing looks wrong:" if count == 1 else f"{count} things look wrong:"
        for at, suspicion in enumerate(judgement.suspicions, start=1):
            yield ""
            yield from _suspicion(at, suspicion)
    else:
        yield "Nothing looks wrong."
    for line in judgement.untold:
        yield ""
        yield from wrapped(line, "Not told: ", "  ")
    yield ""


def _suspicion(at: int, suspicion: Suspicion) -> Iterator[str]:
    yield f"{at}. {suspicion.suspect}"
    yield from wrapped(suspicion.sentence, "   ")
    for line in suspicion.evidence:
        yield from wrapped(line, "   - ", "     ")
    if suspicion.whole:
        yield from wrapped(suspicion.whole, "   fix in [device]: ", "     ")
    elif suspicion.fixes:
        for change, points in grouped(suspicion.fixes).items():
            yield from wrapped(f"{change} at {', '.join(points)}", "   fix: ", "     ")
    if suspicion.advice:
        yield from wrapped(suspicion.advice, "   ")


def _unmapped(seen: UnitSeen) -> Iterator[str]:
    if not seen.samples or not seen.samples[-1].words:
        yield "No register was answered."
        yield ""
        return
    yield "Registers that answer:"
    for table, stretches in answered(seen.samples).items():
        told = ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in stretches)
        yield from wrapped(told, f"  {table.name.lower()} ", "    ")
    yield ""
    found = hints(seen.samples)
    yield "Registers that look like something:" if found else "None of them looks like something one would know."
    for hint in found[:MOST_HINTS]:
        table, address = hint.place
        yield f"  {table.name.lower()} {address}: {hex_words(hint.words)}"
        yield from wrapped(hint.reads, "    ")
    if len(found) > MOST_HINTS:
        yield f"  and {len(found) - MOST_HINTS} more"
    yield ""
