"""Field case A6 on a serial line: one unit sleeps at night, its neighbour on the same two wires answers all night.

Waiting on the wire is scaled: a second of the case is SECOND here. The back-off runs on the case's own clock.
"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from tests.collect.modbus.serial_wire import Asked, Units, exception, pair, reply
from tests.collect.modbus.wire import INVERTER_A1, sunspec
from watcher.collect.collectors import BusCollector
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.rtu_line import TIMEOUT_S, RtuLine
from watcher.domain.instant import parse_iso
from watcher.domain.site import SerialSettings

SECOND = 0.06
ASLEEP, AWAKE = parse_iso("2026-12-10T15:47:00Z"), parse_iso("2026-12-11T08:26:00Z")
START, END = parse_iso("2026-12-10T15:32:00Z"), parse_iso("2026-12-11T08:56:00Z")
STEP_MS = 300_000
INVERTER = DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")
METER = DeviceOnBus("meter-1", 2, "sunspec", "exported", "generation-meter")
METER_MODEL = [201, 105, *[0x8000] * 36, 0, 5, *[0, 0] * 3, 0, 9, *[0, 0] * 3, 0, *[0] * 50]
HELD = {1: sunspec(INVERTER_A1), 2: sunspec(METER_MODEL)}


def registers(question: Asked) -> bytes:
    held = HELD[question.unit if question.unit == 2 else 1]
    wanted = range(question.first, question.first + question.count)
    if not all(address in held for address in wanted):
        return exception(question.unit, question.function, 2)
    words = [held[address] for address in wanted]
    if question.unit != 2 and 40070 + 14 in wanted:
        words[40070 + 14 - question.first] = next(_PACE)  # it lives: the power moves
    return reply(question.unit, question.function, words)


_PACE = iter(range(1000, 1_000_000))


def test_case_a6_on_a_serial_line_a_sleeping_unit_returns_by_itself_and_its_neighbour_keeps_pace(
    tmp_path: Path,
) -> None:
    now_ms = START

    def answer(question: Asked) -> list[tuple[float, bytes]]:
        return [] if question.unit == 1 and ASLEEP <= now_ms < AWAKE else [(0.0, registers(question))]

    # The night's first and last hour, and its middle by the hour.
    everything = list(range(START, END, STEP_MS))
    everything = everything[:15] + everything[15:-18:12] + everything[-18:]
    asleep = [at for at in everything if ASLEEP <= at < AWAKE]

    async def steps(ours: str) -> dict[str, int]:
        nonlocal now_ms
        settings = SerialSettings(baud=115200, quiet_gap_s=2.0 * SECOND)
        line = RtuLine(ours, settings, timeout_s=TIMEOUT_S * SECOND)
        collector = BusCollector("home", ours, [INVERTER, METER], STEP_MS / 1000 * SECOND, line)
        heard: dict[str, list[int]] = {"inverter-1": [], "meter-1": []}
        took = []
        for now_ms in everything:
            began = time.monotonic()
            collected = await collector.collect(now_ms, now_ms / 1000)
            took.append(time.monotonic() - began)
            for device in heard:
                if any(reading.channel.startswith(device) for reading in collected.readings):
                    heard[device].append(now_ms)
        await collector.close()
        assert heard["inverter-1"] == [at for at in everything if at not in asleep]
        assert heard["meter-1"] == everything
        # A turn never comes near the next one, so the neighbour's interval is the clock's.
        assert sorted(took)[len(took) // 2] < 0.2 * STEP_MS / 1000 * SECOND
        return dict(collector.refused)

    with pair(tmp_path) as (ours, theirs), Units(theirs, answer) as units:
        counted = asyncio.run(steps(ours))
        asked_at_night = sum(question.unit == 1 for question in units.asked)
    assert counted["silent"] == len(asleep)  # asked once in a turn, and not again blindly
    assert asked_at_night > len(asleep)


@pytest.mark.parametrize("dead", [3, 8])
def test_case_a6_on_a_serial_line_many_silent_units_leave_the_living_their_interval(tmp_path: Path, dead: int) -> None:
    """Each turn waits for only so many of the silent, those in turn; and whoever lives is asked before them."""
    devices = [
        DeviceOnBus(f"inverter-{unit}", unit, "sunspec", "exported", "inverter") for unit in range(10, 10 + dead)
    ]
    units: Units

    def answer(question: Asked) -> list[tuple[float, bytes]]:
        return [(0.0, registers(question))] if question.unit == METER.unit else []

    async def steps(ours: str) -> list[list[int]]:
        every_s = 60.0 * SECOND
        line = RtuLine(ours, SerialSettings(baud=115200, quiet_gap_s=2.0 * SECOND), timeout_s=TIMEOUT_S * SECOND)
        collector = BusCollector("home", ours, [*devices, METER], every_s, line)
        turns = []
        for turn in range(8):
            before = len(units.asked)
            # A turn of its own time each: all that were left alone may be asked again.
            collected = await collector.collect(turn * 600_000, turn * 600.0)
            assert any(reading.channel.startswith("meter-1") for reading in collected.readings)
            turns.append([question.unit for question in units.asked[before:]])
        await collector.close()
        return turns

    with pair(tmp_path) as (ours, theirs), Units(theirs, answer) as units:
        turns = asyncio.run(steps(ours))
    for asked in turns[1:]:
        silent = [unit for unit in asked if unit != METER.unit]
        assert len(silent) == 2  # 12 s of 60, at five and a third seconds each
        assert asked[: -len(silent)] == [METER.unit] * (len(asked) - len(silent))
    # All of them have their turn.
    assert {unit for asked in turns[1:] for unit in asked} == {METER.unit, *(device.unit for device in devices)}
