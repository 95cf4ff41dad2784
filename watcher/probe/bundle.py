"""A saved probe: one text file that can be sent to whoever helps, read by eye, and judged again.

Rule: it holds the words of every poll with their times, the map they were read by, what of the site bears on them and
all that was printed. It holds no network address, no place, no name of site or person, and no serial number.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.register_map import RegisterMap
from watcher.config.checked_toml import (
    Key,
    Keys,
    Page,
    list_of,
    needed,
    number,
    one_of,
    table_of,
    text,
    whole,
    yes_or_no,
)
from watcher.config.map_file import load_map
from watcher.domain.errors import SetupError
from watcher.domain.instant import iso, parse_iso
from watcher.probe.map_text import map_text, quoted
from watcher.probe.seen import ROLES, Facts, InputFacts, Place, Sample, UnitSeen

FORMAT = 1
A_LINE = 16
"""Registers on one line."""

TOLD_OF_WHO = ("maker", "model", "version")
_WORDS = re.compile(r"([34]) ([0-9]{1,5})((?: [0-9A-Fa-f]{4})+)")


@dataclass(frozen=True, slots=True)
class Bundle:
    """versions: of the program and what it stands on. printed: the page as it was shown."""

    units: tuple[UnitSeen, ...]
    versions: Mapping[str, str]
    printed: str


def bundle_text(bundle: Bundle) -> str:
    return "\n".join(_lines(bundle)) + "\n"


def _lines(bundle: Bundle) -> Iterator[str]:
    yield "# A saved probe of solar equipment. `watcher probe --from THIS-FILE` judges it again."
    yield "# No network address, no place, no name, no serial number is in it."
    yield ""
    yield "[bundle]"
    yield f"format = {FORMAT}"
    for name, version in bundle.versions.items():
        yield f"{name} = {quoted(version)}"
    for seen in bundle.units:
        yield from _unit(seen)
    yield ""
    yield "[printed]"
    yield f"text = {_block(bundle.printed)}"


def _unit(seen: UnitSeen) -> Iterator[str]:
    yield ""
    yield "[[unit]]"
    yield f"unit = {seen.unit}"
    yield f"standard = {str(seen.standard).lower()}"
    yield f"notes = [{', '.join(quoted(note) for note in seen.notes)}]"
    if seen.registers is not None:
        yield f"map_name = {quoted(seen.registers.name)}"
        yield f"map = {_block(map_text(seen.registers))}"
    yield "[unit.identity]"
    for key in TOLD_OF_WHO:
        if key in seen.identity:
            yield f"{key} = {quoted(seen.identity[key])}"
    facts = seen.facts
    yield "[unit.facts]"
    yield f'role = "{facts.role}"'
    yield f'counts = "{facts.counts}"'
    yield f"battery_on_dc = {str(facts.battery_on_dc).lower()}"
    yield from _known(rating_w=facts.rating_w)
    for part, one in facts.inputs.items():
        yield "[[unit.facts.input]]"
        yield f'part = "{part}"'
        yield from _known(string_v=one.string_v, string_a=one.string_a, peak_w=one.peak_w)
    for sample in seen.samples:
        yield "[[unit.poll]]"
        yield f'time = "{iso(sample.time_ms)}"'
        yield f"words = {_block(chr(10).join(_stretches(sample.words)))}"


def _known(**values: float | None) -> Iterator[str]:
    yield from (f"{key} = {value!r}" for key, value in values.items() if value is not None)


def _stretches(words: Mapping[Place, int]) -> Iterator[str]:
    """Lines of neighbouring registers: table, first address, words in hex."""
    line: list[Place] = []
    for place in sorted(words):
        if line and (place != (line[-1][0], line[-1][1] + 1) or len(line) == A_LINE):
            yield _stretch(line, words)
            line = []
        line.append(place)
    if line:
        yield _stretch(line, words)


def _stretch(line: Sequence[Place], words: Mapping[Place, int]) -> str:
    return f"{int(line[0][0])} {line[0][1]} " + " ".join(f"{words[place]:04X}" for place in line)


def _block(lines: str) -> str:
    plain = "'''" not in lines and all(one.isprintable() or one == "\n" for one in lines)
    return f"'''\n{lines.rstrip(chr(10))}\n'''" if plain else quoted(lines)


def read_bundle(content: str, place: str) -> Bundle:
    """What a bundle's text holds. SetupError with every problem where it is none, or was cut short."""
    page, tables = Page.opened(content, place)
    found = page.table(tables, _BUNDLE)
    page.refuse()
    units = []
    for at, entry in enumerate(found["unit"]):
        try:
            units.append(_seen(entry, place))
        except SetupError as error:
            page.problems += error.problems
        except ValueError as error:
            page.wrong(f"unit[{at}].poll", str(error))
    page.refuse()
    versions = {name: value for name, value in found["bundle"].items() if name != "format"}
    return Bundle(tuple(units), versions, found["printed"]["text"])


def _seen(entry: Mapping[str, Any], place: str) -> UnitSeen:
    registers: RegisterMap | None = None
    if "map" in entry:
        registers = load_map(entry["map"], f"{place}, map of unit {entry['unit']}", entry.get("map_name", "saved"))
    told = entry.get("facts", {})
    inputs = {
        one["part"]: InputFacts(one.get("string_v"), one.get("string_a"), one.get("peak_w"))
        for one in told.get("input", ())
    }
    facts = Facts(
        role=told.get("role", "unknown"),
        rating_w=told.get("rating_w"),
        inputs=inputs,
        counts=told.get("counts", "exported"),
        battery_on_dc=told.get("battery_on_dc", False),
    )
    samples = tuple(Sample(poll["time"], _words(poll["words"])) for poll in entry.get("poll", ()))
    if any(later.time_ms < earlier.time_ms for earlier, later in pairwise(samples)):
        raise ValueError("the polls are not in order of time")
    return UnitSeen(
        unit=entry["unit"],
        registers=registers,
        samples=samples,
        facts=facts,
        standard=entry.get("standard", False),
        identity=entry.get("identity", {}),
        notes=entry.get("notes", ()),
    )


def _words(lines: str) -> dict[Place, int]:
    found: dict[Place, int] = {}
    for line in filter(None, lines.splitlines()):
        match = _WORDS.fullmatch(line.strip())
        if match is None:
            raise ValueError(f"{line[:40]!r} is no line of registers, such as 3 40000 5375 6E53")
        table, first = Table(int(match[1])), int(match[2])
        words = [int(word, 16) for word in match[3].split()]
        if first + len(words) > 0x1_0000:
            raise ValueError(f"{line[:40]!r} goes past the last address")
        found.update({(table, first + at): word for at, word in enumerate(words)})
    return found


def _lines_of_text() -> Key:
    def take(value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError
        return value

    return Key(take, "must be text")


def _instant() -> Key:
    def take(value: Any) -> int:
        if not isinstance(value, str):
            raise ValueError
        return parse_iso(value)

    return Key(take, "must be an instant with an offset or Z, in quotes")


def _notes() -> Key:
    def take(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            raise ValueError
        return tuple(value)

    return Key(take, "must be a list of texts")


_INPUT: Keys = {
    "part": needed(text(r"input-[1-9][0-9]*", 'must be an input, such as "input-1"')),
    "string_v": number(0, 1e5),
    "string_a": number(0, 1e5),
    "peak_w": number(0, 1e7),
}
_UNIT: Keys = {
    "unit": needed(whole(0, 255)),
    "standard": yes_or_no(),
    "notes": _notes(),
    "map_name": text(),
    "map": _lines_of_text(),
    "identity": table_of({key: text() for key in TOLD_OF_WHO}),
    "facts": table_of(
        {
            "role": one_of(ROLES),
            "rating_w": number(0, 1e8),
            "counts": one_of(("exported", "imported")),
            "battery_on_dc": yes_or_no(),
            "input": list_of(_INPUT),
        }
    ),
    "poll": needed(list_of({"time": needed(_instant()), "words": needed(_lines_of_text())})),
}
_BUNDLE: Keys = {
    "bundle": needed(
        table_of({"format": needed(whole(FORMAT, FORMAT)), **{k: text() for k in ("program", "python", "pymodbus")}})
    ),
    "unit": needed(list_of(_UNIT)),
    "printed": needed(table_of({"text": needed(_lines_of_text())})),
}
