"""Field case A5: a device refuses any request that touches a missing register, or that is too long for it."""

from __future__ import annotations

import asyncio
from collections import Counter

from tests.collect.modbus.wire import Answer, Question, Recorder, Server
from watcher.collect.modbus.blocks import Blocks, Span, Table
from watcher.collect.modbus.client import Line
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
