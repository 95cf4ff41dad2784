"""A device that describes itself, read by a probe: the same values the watcher reads, and the same judge."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.collect.modbus.wire import at, play, words
from watcher.collect.modbus.plan import DeviceRole
from watcher.collect.modbus.probe_talk import MapPoll, describe
from watcher.collect.modbus.reader import SunSpecReader
from watcher.config import load_map
from watcher.probe.judge import judge
from watcher.probe.map_text import map_text
from watcher.probe.readout import value
from watcher.probe.seen import UNKNOWN, Facts, Sample, UnitSeen
from watcher.probe.sunspec_map import described, role_of
from watcher.probe.suspicion import Suspect

BLOCKS = [
    ("A_three_phase_running", "inverter"),
    ("A_three_phase_running", "meter"),
    ("B_single_phase_grid_trip", "inverter"),
    ("C_float_throttled", "inverter"),
    ("D_meter_overvolt", "meter"),
]


@pytest.fixture(scope="module")
def golden(shared_folder: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((shared_folder / "sunspec-golden.json").read_text())
    return loaded["blocks"]


def seen(block: dict[str, Any], role: str = UNKNOWN) -> tuple[UnitSeen, dict[int, int]]:
    registers = at(block["base_address"], words(block["hex"]))
    told, _ = play(describe(0), registers)
    assert told.found is not None
    own = described(told.found, role)
    assert own is not None
    poll = MapPoll(own, around=False)
    samples = tuple(Sample(at_ms, play(poll.read(at_ms), registers)[0]) for at_ms in (0, 5_000, 10_000))
    facts = Facts(role=role_of(told.found) if role == UNKNOWN else role)
    return UnitSeen(1, own, samples, facts, standard=True, identity=told.identity), registers


@pytest.mark.parametrize(("name", "role"), BLOCKS)
def test_the_probe_reads_what_the_watcher_reads(name: str, role: DeviceRole, golden: dict[str, Any]) -> None:
    unit, registers = seen(golden[name], role)
    assert unit.registers is not None
    shown = {p.name: v for p in unit.registers.points if (v := value(p, unit.samples[0])) is not None}
    read = play(SunSpecReader("d", role, "exported").poll(0), registers)[0].decoded.values
    assert shown == {channel.partition(".")[2]: v for channel, v in read.items()}


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("A_three_phase_running", []),
        # 4.29 GWh are no home's: both blocks hold a counter at its last steps before it wraps.
        ("B_single_phase_grid_trip", [(Suspect.IMPLAUSIBLE, ("ac_energy",))]),
        ("C_float_throttled", []),
        ("D_meter_overvolt", [(Suspect.IMPLAUSIBLE, ("energy_export",))]),
    ],
)
def test_the_golden_blocks_are_judged(
    name: str, expected: list[tuple[Suspect, tuple[str, ...]]], golden: dict[str, Any]
) -> None:
    unit, _ = seen(golden[name])
    assert [(one.suspect, one.points) for one in judge(unit).suspicions] == expected


@pytest.mark.parametrize(("name", "role"), BLOCKS)
def test_what_a_device_says_of_itself_can_be_written_as_a_map(
    name: str, role: DeviceRole, golden: dict[str, Any]
) -> None:
    unit, _ = seen(golden[name], role)
    assert unit.registers is not None
    assert load_map(map_text(unit.registers), "written", unit.registers.name) == unit.registers
