"""Field case A5: a device refuses any request that touches a missing register, or that is too long for it."""

from __future__ import annotations

import asyncio
from collections import Counter

import pytest

from tests.collect.modbus.wire import Answer, Question, Recorder, Server
from watcher.collect.modbus.blocks import Blocks, Span, Table
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.client import Line, ModbusTcpBus
from watcher.config import load_map
from watcher.domain.instant import DAY_MS

HELD = {address: 1000 + address for address in [*range(12), *range(16, 28)]}
WANTED = [Span(first, 2, Table.INPUT) for first in (0, 4, 10, 16, 26)]


def device(question: Question) -> Answer:
    if question.function != 4:
        return 1
    if question.count > 20:
        return 3
    addresses = range(question.first, question.first + question.count)
    return [HELD[address] for address in addresses] if all(address in HELD for address in addresses) else 2


def number(words: list[int], blocks: Blocks, span: Span) -> list[int] | None:
    start = blocks.place(span)
    return None if start is None else words[start : start + span.count]


def test_case_a5_all_five_numbers_come_at_once_and_later_nothing_refused_is_sent() -> None:
    async def steps() -> None:
        blocks = Blocks(WANTED)
        counted: Counter[str] = Counter()
        async with Server(device) as server, Recorder(server.port) as recorder:
            line = Line("127.0.0.1", recorder.port, 1.0, counted)
            first = await line.converse(1, blocks.read(0))
            assert [number(first, blocks, span) for span in WANTED] == [
                [1000 + s.first, 1001 + s.first] for s in WANTED
            ]
            assert blocks.missing == frozenset()
            learning, refused = len(server.asked), counted["refused"]
            for minute in range(1, 60):
                assert await line.converse(1, blocks.read(minute * 60_000)) == first
            assert counted["refused"] == refused
            # Two requests of twelve registers each: the fewest this device allows. No number is ever in two pieces.
            assert len(server.asked) == learning + 59 * 2
            assert recorder.functions == {4}
            line.close()

    asyncio.run(steps())


def test_case_a5_a_point_that_is_not_there_is_marked_and_the_device_stays_in_use() -> None:
    async def steps() -> None:
        absent = Span(12, 2, Table.INPUT)
        blocks = Blocks([*WANTED, absent])
        counted: Counter[str] = Counter()
        async with Server(device) as server:
            line = Line("127.0.0.1", server.port, 1.0, counted)
            words = await line.converse(1, blocks.read(0))
            assert blocks.missing == {absent}
            assert all(number(words, blocks, span) for span in WANTED)
            once = counted["refused"]
            for minute in range(1, 1440):
                if minute % 60 == 0:
                    await line.converse(1, blocks.read(minute * 60_000))
            assert counted["refused"] == once
            held_later = dict(HELD) | {12: 1, 13: 2, 14: 3, 15: 4}
            server.answer = lambda q: [held_later[a] for a in range(q.first, q.first + q.count)] if q.count <= 20 else 3
            later = await line.converse(1, blocks.read(DAY_MS))  # put to the test again after a day
            assert blocks.missing == frozenset()
            assert number(later, blocks, absent) == [1, 2]
            line.close()

    asyncio.run(steps())


MAP = """
[device]
description = "five counters in two islands of registers"
function = 4
"""
NAMES = ("ac_energy", "energy_import", "energy_export", "battery_charge_energy", "battery_discharge_energy")


def by_map(*points: tuple[str, int], max_registers: int = 125) -> DeviceOnBus:
    text = MAP + f"max_registers = {max_registers}\n"
    text += "".join(f'[[point]]\nquantity = "{name}"\naddress = {at}\ntype = "uint32"\n' for name, at in points)
    return DeviceOnBus("inverter-1", 1, "islands", "exported", "inverter", load_map(text, "islands.toml", "islands"))


@pytest.mark.parametrize("max_registers", [125, 20, 12, 3, 2])
def test_case_a5_a_register_map_gives_all_five_at_once_and_later_refuses_nothing(max_registers: int) -> None:
    points = tuple(zip(NAMES, (span.first for span in WANTED), strict=True))
    expected = {f"inverter-1.{name}": float(HELD[first] << 16 | HELD[first + 1]) for name, first in points}

    async def steps() -> None:
        async with Server(device) as server, Recorder(server.port) as recorder:
            bus = ModbusTcpBus(recorder.address, [by_map(*points, max_registers=max_registers)])
            for minute in range(60):
                before, refused = len(server.asked), bus.refused.get("refused", 0)
                polled = await bus.poll("inverter-1", minute * 60_000, minute * 60.0)
                assert {reading.channel: reading.value for reading in polled.readings} == expected
                assert polled.notes == ()
                if minute:
                    assert bus.refused.get("refused", 0) == refused
                    assert len(server.asked) - before == (2 if max_registers >= 12 else 5)
            assert max(question.count for question in server.asked) <= max_registers
            assert all(q.first + q.count != s.first + 1 for q in server.asked for s in WANTED)  # none in two pieces
            assert recorder.functions == {4}
            await bus.close()

    asyncio.run(steps())


def test_case_a5_a_point_a_map_has_and_the_device_has_not_is_said_once() -> None:
    there, absent = ("ac_energy", 0), ("energy_import", 12)

    async def steps() -> None:
        async with Server(device) as server:
            bus = ModbusTcpBus(server.address, [by_map(there, absent)])
            notes = []
            for minute in range(0, 1440, 60):
                polled = await bus.poll("inverter-1", minute * 60_000, minute * 60.0)
                assert [reading.channel for reading in polled.readings] == ["inverter-1.ac_energy"]
                notes += polled.notes
            assert notes == ["energy_import at 12 is not available"]
            assert bus.refused["refused"] <= 2
            await bus.close()

    asyncio.run(steps())
