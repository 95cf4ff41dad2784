"""What `watcher probe` was asked for, checked whole before any wire is touched."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from watcher.clock import SystemClock
from watcher.collect.modbus.probe_talk import SCANNED
from watcher.collect.modbus.register_map import SUNSPEC, RegisterMap
from watcher.config import load_map, load_maps, load_sites, load_watcher
from watcher.config.address import address_fault
from watcher.config.toml_text import read_text
from watcher.domain.errors import Problem, SetupError
from watcher.domain.site import Inverter, MeterRole, Parity, SerialSettings, Site, Source, SourceKind, Storage
from watcher.probe.seen import GENERATION_METER, INVERTER, METER, Facts, InputFacts
from watcher.probe.suspicion import Suspect

LONGEST_S = 3600.0
ALL = "all"
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_UNITS = re.compile(r"[0-9]{1,3}(-[0-9]{1,3})?(,[0-9]{1,3}(-[0-9]{1,3})?)*")
_BY_REGISTERS = (SourceKind.MODBUS_TCP, SourceKind.MODBUS_RTU)


@dataclass(frozen=True, slots=True)
class AboutUnit:
    """What is known of a unit beforehand. registers: None to let it describe itself."""

    facts: Facts = field(default_factory=Facts)
    registers: RegisterMap | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """address: as in a site file. units: unit ids to ask. hunt: whether they are many, and most not there.

    serial: what a serial line agrees on, where the address is one
    """

    address: str = ""
    serial: SerialSettings | None = None
    units: tuple[int, ...] = (1,)
    hunt: bool = False
    registers: RegisterMap | None = None
    about: dict[int, AboutUnit] = field(default_factory=dict)
    ranges: tuple[tuple[int, int], ...] = SCANNED
    scan: bool = False
    seconds: float = 10.0
    timeout_s: float = 3.0
    bundle: Path | None = None
    bundle_from: Path | None = None
    write_map: Path | None = None
    fix: frozenset[str] = frozenset()


class _Slips:
    """Collects what is wrong with the command line, all of it at once."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def wrong(self, key: str, found: str, allowed: str) -> None:
        self.problems.append(Problem("command line", key, found, allowed))

    def refuse(self) -> None:
        if self.problems:
            raise SetupError(tuple(self.problems))


def asked_for(options: argparse.Namespace) -> Asked:
    """The command line as the program has it. SetupError with everything wrong in it."""
    slips = _Slips()
    _check_words(options, slips)
    units = _units(options.unit, slips)
    if 0 in units and (options.address or "").startswith("/"):
        slips.wrong("--unit", options.unit, "on a serial line a unit id is 1 to 247")
    ranges = _ranges(options.scan, slips) if options.scan else SCANNED
    slips.refuse()
    registers = _map_named(options.map, options.config) if options.map else None
    sources, about = _about(options, units) if options.site else ((), {})
    return Asked(
        address=options.address or "",
        serial=serial_settings(options, sources) if (options.address or "").startswith("/") else None,
        units=units,
        hunt=len(units) > 8,
        registers=registers,
        about=about,
        ranges=ranges,
        scan=bool(options.scan),
        seconds=options.seconds,
        timeout_s=options.timeout,
        bundle=options.bundle,
        bundle_from=options.bundle_from,
        write_map=options.write_map,
        fix=frozenset(options.fix.split(",")) if options.fix else frozenset(),
    )


def _check_words(options: argparse.Namespace, slips: _Slips) -> None:
    if (options.bundle_from is None) == (options.address is None):
        slips.wrong("ADDRESS", options.address or "", "either an address to ask, or --from a saved probe")
    elif options.address is not None:
        kind = SourceKind.MODBUS_RTU if options.address.startswith("/") else SourceKind.MODBUS_TCP
        if kind is SourceKind.MODBUS_TCP and (options.baud or options.parity or options.stop_bits):
            slips.wrong("--baud, --parity, --stop-bits", "", "belong to a serial line; the address is none")
        if options.baud and options.baud not in BAUDS:
            slips.wrong("--baud", str(options.baud), f"must be one of {', '.join(map(str, BAUDS))}")
        if fault := address_fault(kind, options.address):
            slips.wrong("ADDRESS", options.address, fault + ', or a serial device such as "/dev/ttyUSB0"')
    if options.bundle_from is not None:
        for key, given in (("--map", options.map), ("--site", options.site), ("--scan", options.scan)):
            if given:
                slips.wrong(key, given, "a saved probe carries its own; leave this or --from out")
    if not 0 <= options.seconds <= LONGEST_S:
        slips.wrong("--seconds", str(options.seconds), f"must be 0 to {LONGEST_S:.0f}")
    if not 0.1 <= options.timeout <= 30:
        slips.wrong("--timeout", str(options.timeout), "must be 0.1 to 30 seconds")
    known = [str(one) for one in Suspect]
    for word in options.fix.split(",") if options.fix else ():
        if word not in (*known, ALL):
            slips.wrong("--fix", word, f"must be of {', '.join(known)}, or {ALL}")
    if options.fix and options.write_map is None:
        slips.wrong("--fix", options.fix, "changes the map that --write-map writes; that is missing")
    if options.map and options.scan:
        slips.wrong("--scan", options.scan, "looks for registers nobody has described; leave it or --map out")
    for key, path in (("--bundle", options.bundle), ("--write-map", options.write_map)):
        if path is not None and path.exists():
            slips.wrong(key, str(path), "is there already; choose another name")
        elif path is not None and not path.parent.is_dir():
            slips.wrong(key, str(path), "no such folder")


def _spans(text: str) -> Iterator[tuple[int, int]]:
    for piece in text.split(","):
        first, _, last = piece.partition("-")
        yield int(first), int(last or first)


def _units(text: str, slips: _Slips) -> tuple[int, ...]:
    allowed = "must be unit ids 0 to 247, such as 1, 1,2 or 1-247"
    if _UNITS.fullmatch(text) is None:
        slips.wrong("--unit", text, allowed)
        return ()
    found: dict[int, None] = {}
    for first, last in _spans(text):
        if not first <= last <= 247:
            slips.wrong("--unit", text, allowed)
            return ()
        found.update(dict.fromkeys(range(first, last + 1)))
    return tuple(found)


def _ranges(text: str, slips: _Slips) -> tuple[tuple[int, int], ...]:
    shape = r"[0-9]{1,5}-[0-9]{1,5}(,[0-9]{1,5}-[0-9]{1,5})*"
    spans = tuple(_spans(text)) if re.fullmatch(shape, text) else ()
    if not spans or any(not first <= last <= 0xFFFF for first, last in spans):
        slips.wrong("--scan", text, "must be ranges of addresses, 0 to 65535, such as 0-199,30000-30099")
    return spans


def _map_named(name: str, watcher_file: Path) -> RegisterMap | None:
    """A map by its file, or by its name among the watcher's own; None for what describes itself."""
    if name == SUNSPEC:
        return None
    path = Path(name)
    if path.suffix == ".toml":
        return load_map(read_text(path), str(path), path.stem)
    folder = load_watcher(watcher_file).devices_folder if watcher_file.is_file() else Path("config/devices")
    maps = load_maps(folder)
    if name in maps.bad:
        raise SetupError(maps.problems)
    if fault := maps.fault(name):
        raise SetupError((Problem("command line", "--map", name, fault + ", or a file that ends in .toml"),))
    return maps.good[name]


def serial_settings(options: argparse.Namespace, sources: Sequence[Source]) -> SerialSettings:
    """What the command line says of a serial line, else what the site file does, else what is usual."""
    known = next((one.serial for one in sources if one.address == options.address), SerialSettings())
    return replace(
        known,
        baud=options.baud or known.baud,
        parity=Parity(options.parity or known.parity),
        stop_bits=options.stop_bits or known.stop_bits,
    )


def _about(options: argparse.Namespace, units: tuple[int, ...]) -> tuple[Sequence[Source], dict[int, AboutUnit]]:
    """The site's sources over Modbus, and what its file says of each unit that is asked."""
    config = load_watcher(options.config)
    maps = load_maps(config.devices_folder)
    found = load_sites(config.sites_folder, maps)
    if options.site not in found.good:
        allowed = f"no such site, or its file has problems; there are {', '.join(sorted(found.good)) or 'none'}"
        raise SetupError((Problem("command line", "--site", options.site, allowed), *found.problems))
    site = found.good[options.site].at(SystemClock().now_ms())
    sources = [source for source in site.sources if source.kind in _BY_REGISTERS]
    here = [source for source in sources if source.address == options.address] or sources
    about = {}
    for unit in units:
        source = next((one for one in here if one.unit == unit), None)
        if source is not None:
            about[unit] = AboutUnit(facts_of(site, source), maps.good.get(source.map))
    if not about:
        known = ", ".join(f"{one.device} (unit {one.unit})" for one in sources) or "none"
        allowed = f"this site reads no such unit over Modbus; it reads {known}"
        raise SetupError((Problem("command line", "--unit", options.unit, allowed),))
    return sources, about


def facts_of(site: Site, source: Source) -> Facts:
    """What a site file says of the device a source reads."""
    inverter = next((one for one in site.inverters if one.id == source.device), None)
    if inverter is not None:
        return _of_inverter(site, inverter)
    meter = next((one for one in site.meters if one.id == source.device), None)
    if meter is None:
        return Facts()
    if meter.role is not MeterRole.GENERATION:
        return Facts(role=METER)
    rating = sum(one.ac_limit_w for one in site.inverters if one.id in meter.covers)
    return Facts(role=GENERATION_METER, rating_w=rating or None, counts=source.counts)


def _of_inverter(site: Site, inverter: Inverter) -> Facts:
    inputs = {}
    for name in site.inputs_of(inverter.id):
        arrays = site.arrays_at(name)
        first = arrays[0]
        series, module = first.modules_in_series, first.module
        volts = series * module.vmp_v if series and module.vmp_v else None
        amps = module.imp_a * sum(one.parallel_strings for one in arrays) if module.imp_a else None
        inputs[name.partition(".")[2]] = InputFacts(volts, amps, sum(one.peak_power_w for one in arrays))
    return Facts(INVERTER, inverter.ac_limit_w, inputs, battery_on_dc=inverter.storage is Storage.DC)
