"""`watcher probe`: ask a device everything once or a few times, show it, and say what looks wrong.

Rule: nothing is written to the device, and nothing to the store. Exit 0 where all is well, 1 where something looks
wrong or nobody answered, 2 for bad input.
"""

from __future__ import annotations

import argparse
import asyncio
import platform
from collections.abc import Iterable, Sequence
from importlib.metadata import version
from pathlib import Path

from watcher import __version__
from watcher.collect.modbus.probe_wire import NobodyError
from watcher.collect.modbus.register_map import RegisterMap
from watcher.commands.probe_asked import ALL, Asked, asked_for
from watcher.commands.probe_units import Prober
from watcher.config.map_file import load_map
from watcher.config.toml_text import read_text
from watcher.domain.errors import Problem, SetupError
from watcher.probe.bundle import Bundle, bundle_text, read_bundle
from watcher.probe.judge import judge
from watcher.probe.map_text import map_text
from watcher.probe.page import SAFETY_AFTER, SAFETY_BEFORE, safety, unit_page, wrapped
from watcher.probe.readout import Readout, hex_words, value
from watcher.probe.seen import UnitSeen
from watcher.probe.suspicion import Judgement, applied
from watcher.probe.unmapped import guessed, hints


def run_probe(options: argparse.Namespace) -> int:
    """Probe, or judge a saved probe again."""
    asked = asked_for(options)
    if asked.bundle_from is not None:
        saved = read_bundle(read_text(asked.bundle_from), str(asked.bundle_from))
        _show(wrapped(f"Saved by pv-watcher {saved.versions.get('program', 'of unknown version')}; nothing is asked."))
        _show([""])
        return _conclude(saved.units, asked, printed_before=())
    before = [*safety(SAFETY_BEFORE), ""]
    _show(before)
    prober = Prober(asked, lambda line: _show(wrapped(line)))
    try:
        units = asyncio.run(prober.run())
    except NobodyError as nobody:
        _show(["", *wrapped(str(nobody)), "", *safety(SAFETY_AFTER)])
        return 1
    _show([""])
    return _conclude(units, asked, printed_before=before)


def _show(lines: Iterable[str]) -> None:
    for line in lines:
        print(line, flush=True)


def _conclude(units: Sequence[UnitSeen], asked: Asked, printed_before: Sequence[str]) -> int:
    """Print what was seen and what looks wrong, and save what was asked for."""
    judgements = [judge(seen, units) for seen in units]
    printed = list(printed_before)
    for seen, judgement in zip(units, judgements, strict=True):
        printed += unit_page(seen, judgement)
    if asked.bundle_from is None:
        printed += safety(SAFETY_AFTER)
    _show(printed[len(printed_before) :])
    if asked.bundle is not None:
        versions = {"program": __version__, "python": platform.python_version(), "pymodbus": version("pymodbus")}
        _write(asked.bundle, bundle_text(Bundle(tuple(units), versions, "\n".join(printed))))
    if asked.write_map is not None:
        _write(asked.write_map, _map_of(units, judgements, asked))
    wrong = any(judgement.suspicions for judgement in judgements)
    return 1 if wrong or not any(sample.words for seen in units for sample in seen.samples) else 0


def _write(path: Path, content: str) -> None:
    """A file that is whole or not there. SetupError where it cannot be written."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(content)
    except FileExistsError:
        raise SetupError((Problem(str(path), "", "", "is there already; choose another name"),)) from None
    except OSError as error:
        raise SetupError((Problem(str(path), "", "", f"cannot be written: {error.strerror or error}"),)) from None
    _show(["", *wrapped(f"Written: {path}")])


def _map_of(units: Sequence[UnitSeen], judgements: Sequence[Judgement], asked: Asked) -> str:
    """The register map of the first unit, with the fixes asked for and what was seen as comments."""
    seen, judgement = units[0], judgements[0]
    registers = seen.registers if seen.registers is not None else guessed(seen.samples)
    if registers is None:
        told = "nothing in what was read is known by its numbers alone, so there is no map to write"
        raise SetupError((Problem("command line", "--write-map", "", told),))
    comments = _seen_in(seen, registers)
    done: list[str] = []
    for suspicion in judgement.suspicions:
        fix = bool(suspicion.fixes) and not asked.fix.isdisjoint({str(suspicion.suspect), ALL})
        for name in suspicion.points:
            told = "put right" if fix else "not put right"
            comments.setdefault(name, []).append(f"{suspicion.suspect} ({told}): {suspicion.sentence}")
        if fix:
            done.append(f"{suspicion.suspect} at {', '.join(suspicion.points)}")
            before, registers = registers, applied(registers, suspicion)
            names = {old.name: new.name for old, new in zip(before.points, registers.points, strict=True)}
            comments = {names[name]: lines for name, lines in comments.items()}
    top = ["A register map as `watcher probe` saw the device. Compare it with the manual before it is used."]
    top += [f"Put right: {line}." for line in done] or ["Nothing was put right."]
    if seen.registers is None:
        top += ["These registers were known by their numbers alone; what else looked like something:"]
        top += [
            f"  {h.place[0].name.lower()} {h.place[1]}: {hex_words(h.words)}: {h.reads}" for h in hints(seen.samples)
        ]
    try:
        content = map_text(registers, comments, top)
    except ValueError as error:
        raise SetupError((Problem("command line", "--write-map", "", str(error)),)) from None
    name = asked.write_map.stem if asked.write_map else registers.name
    load_map(content, str(asked.write_map), name)  # what is written can be read
    return content


def _seen_in(seen: UnitSeen, registers: RegisterMap) -> dict[str, list[str]]:
    """What stood in each point, as comments."""
    readout = Readout.of(seen, registers)
    found: dict[str, list[str]] = {}
    for point in registers.points:
        words = next((w for w in reversed(readout.words(point)) if w is not None), None)
        if words is None:
            found[point.name] = ["not answered" if point in registers.read_points() else "not read: it does not count"]
            continue
        last = value(point, seen.samples[-1])
        said = "no value" if last is None else f"{last:.9g} {point.quantity.unit}".rstrip()
        found[point.name] = [f"seen: {hex_words(words)}, {said}"]
    return found
