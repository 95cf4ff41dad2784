"""Probes of a device whose values are known, with whatever was built otherwise than the map says."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.register_map import RegisterMap
from watcher.config import load_map
from watcher.probe.seen import GENERATION_METER, INVERTER, Facts, InputFacts, Sample, UnitSeen
from watcher.simulate.odd_registers import Slip, TimeOfDay, as_built, plant, shown, words

DEVICES = Path(__file__).resolve().parents[2] / "config" / "devices"
BEGAN_MS = 1_782_000_000_000

SITE = Facts(
    role=INVERTER,
    rating_w=3680.0,
    inputs={"input-1": InputFacts(249.6, 9.6, 2400.0), "input-2": InputFacts(187.2, 9.6, 1800.0)},
)
METER_AT_SITE = Facts(role=GENERATION_METER, rating_w=3680.0)


def device_map(name: str = "simulated-inverter") -> RegisterMap:
    path = DEVICES / f"{name}.toml"
    return load_map(path.read_text(encoding="utf-8"), str(path), name)


def loaded(text: str) -> RegisterMap:
    return load_map(text, "test", "test")


def seen_inverter(
    slip: Slip = Slip.NONE,
    time: TimeOfDay = TimeOfDay.NOON,
    facts: Facts = SITE,
    *,
    apart_s: float = 5.0,
    change: Callable[[dict[str, float | str], int], None] | None = None,
) -> UnitSeen:
    """Three polls of the simulated inverter. change: alters its values at a moment."""
    registers = device_map()
    moments = []
    for moment in range(3):
        values = shown(plant(time, moment), slip, moment)
        if change:
            change(values, moment)
        moments.append(values)
    return seen_values(registers, moments, facts, built=as_built(registers, slip), apart_s=apart_s)


def seen_values(
    registers: RegisterMap,
    moments: Sequence[Mapping[str, float | str]],
    facts: Facts,
    *,
    built: RegisterMap | None = None,
    apart_s: float = 5.0,
) -> UnitSeen:
    """One poll a moment of a device that is built like `built` and read by `registers`."""
    built = built or registers
    samples = []
    for at, values in enumerate(moments):
        held = words(built, values)
        tables = {table for table, _ in held}
        around = {(table, address): 0 for table in tables for address in range(_last(held, table) + 1)}
        samples.append(Sample(BEGAN_MS + round(at * apart_s * 1000), {**around, **held}))
    return UnitSeen(1, registers, tuple(samples), facts)


def _last(held: Mapping[tuple[Table, int], int], table: Table) -> int:
    return max(address for one, address in held if one is table)
