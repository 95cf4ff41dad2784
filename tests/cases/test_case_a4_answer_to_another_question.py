"""Field case A4: a late answer is not the answer to the next question; a gateway that repeats itself is not believed.

Over the network the bytes are those of the case. Waiting on a serial line is scaled: the case's late frame comes 1.5 s
after the time-out, within a quiet gap of two.
"""

from __future__ import annotations

import asyncio
import math
import struct
from collections import Counter
from pathlib import Path

import pytest

from tests.collect.modbus.serial_wire import Asked, Units, pair, reply
from tests.collect.modbus.wire import Question, Server, hold, sunspec
from watcher.collect.collectors import BusCollector
from watcher.collect.modbus.blocks import Span
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.client import Line, tcp_line
from watcher.collect.modbus.line import SilentError
from watcher.collect.modbus.rtu_line import RtuLine
from watcher.domain.instant import MINUTE_MS, parse_iso
from watcher.domain.site import SerialSettings

ENERGY, POWER = Span(0x9C9E, 2), Span(0x9C94, 2)
LATE, RIGHT = [0x00C3, 0x5A10], [0x0C56, 0x0000]
START = parse_iso("2026-06-21T10:50:00Z")
FROZEN, OVER = parse_iso("2026-06-21T11:00:00Z"), parse_iso("2026-06-21T11:40:00Z")
INVERTER = DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")


def watts(words: object) -> int:
    power, exponent = struct.unpack(">hh", struct.pack(">2H", *words))  # type: ignore[misc]
    return int(power * 10**exponent)


def test_case_a4_over_the_network_the_late_frame_is_discarded_and_the_power_is_3158_w() -> None:
    """The transaction numbers of the case: 12 is still unanswered when 13 is asked."""
    sent: list[bytes] = []

    async def device(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while question := await reader.read(12):
            sent.append(question)
            if len(sent) == 2:
                writer.write(bytes.fromhex("0012 0000 0007 01 03 04 00C3 5A10"))
                writer.write(bytes.fromhex("0013 0000 0007 01 03 04 0C56 0000"))
        writer.close()
        await writer.wait_closed()
        over.set()

    over = asyncio.Event()

    async def steps() -> tuple[int, int]:
        server = await asyncio.start_server(device, "127.0.0.1", 0)
        counted: Counter[str] = Counter()
        line = Line("127.0.0.1", server.sockets[0].getsockname()[1], 0.15, counted)
        client = await line._connected()
        client.ctx.next_tid = 0x11
        assert await line._once(client, 1, ENERGY, 0.05) is None
        words = await line._once(client, 1, POWER, 0.5)
        line.close()
        await over.wait()
        server.close()
        await server.wait_closed()
        return watts(words), counted["mismatched"]

    assert asyncio.run(steps()) == (3158, 1)
    assert [question.hex(" ") for question in sent] == [
        "00 12 00 00 00 06 01 03 9c 9e 00 02",
        "00 13 00 00 00 06 01 03 9c 94 00 02",
    ]


SCALE = 0.05
SETTINGS = SerialSettings(baud=115200, quiet_gap_s=2.0 * SCALE)


def test_case_a4_on_a_serial_line_the_late_frame_is_drained_before_anything_is_asked_again(tmp_path: Path) -> None:
    def answer(question: Asked) -> list[tuple[float, bytes]]:
        if question.first == ENERGY.first:
            return [((1.0 + 1.5) * SCALE, reply(1, 3, LATE))]
        return [(0.0, reply(1, 3, RIGHT))]

    async def steps(ours: str) -> dict[str, int]:
        line = RtuLine(ours, SETTINGS, timeout_s=1.0 * SCALE)
        with pytest.raises(SilentError):
            await line.ask(1, ENERGY, patient=False)
        assert watts(await line.ask(1, POWER, patient=False)) == 3158
        line.close()
        return dict(line.counted)

    with pair(tmp_path) as (ours, theirs), Units(theirs, answer) as units:
        assert asyncio.run(steps(ours)) == {"silent": 1, "late": 9}  # nine bytes: one frame of two registers
        assert [question.first for question in units.asked] == [ENERGY.first, POWER.first]


def test_case_a4_three_answers_that_do_not_match_open_the_connection_anew(tmp_path: Path) -> None:
    def answer(question: Asked) -> list[tuple[float, bytes]]:
        return [(0.0, reply(1, 3, RIGHT if len(units.asked) > 3 else [1, 2, 3]))]

    async def steps(ours: str) -> dict[str, int]:
        line = RtuLine(ours, SETTINGS, timeout_s=1.0 * SCALE)
        with pytest.raises(SilentError):
            await line.ask(1, POWER, patient=False)
        assert watts(await line.ask(1, POWER, patient=False)) == 3158
        line.close()
        return dict(line.counted)

    with pair(tmp_path) as (ours, theirs), Units(theirs, answer) as units:
        assert asyncio.run(steps(ours)) == {"short": 3, "reopened": 1}


def block(minute: int, watts: int, energy_wh: int) -> dict[int, int]:
    """A single-phase inverter's registers: it moves with the minute, as every live one does."""
    high, low = divmod(energy_wh, 0x10000)
    model = [101, 50, *[0xFFFF] * 50]
    tenths = 2400 + minute % 7
    for at, value in ((8, tenths), (11, 0xFFFF), (12, watts), (13, 0), (14, 5000 + minute % 3), (15, 0xFFFE),
                      (22, high), (23, low), (24, 0), (31, 412 + minute % 5), (35, 0xFFFF), (36, 4)):  # fmt: skip
        model[2 + at] = value
    return sunspec(model)


def test_case_a4_a_gateway_that_repeats_its_cache_is_believed_for_minutes_and_then_called_so() -> None:
    now_ms, energy_wh = START, 20_000_000

    def gateway(question: Question) -> list[int] | int:
        live_ms = FROZEN if FROZEN <= now_ms < OVER else now_ms
        minute = (live_ms - START) // MINUTE_MS
        answer = hold(block(minute, 2317 + minute % 11 - 10, energy_wh + 38 * minute))(question)
        assert isinstance(answer, list | int)
        return answer

    async def steps() -> None:
        nonlocal now_ms
        async with Server(gateway) as server:
            collector = BusCollector("home", server.address, [INVERTER], 60.0, tcp_line(server.address))
            powers: dict[int, float] = {}
            energies: dict[int, float] = {}
            told: dict[int, str] = {}
            for now_ms in range(START, OVER + 10 * MINUTE_MS, MINUTE_MS):
                collected = await collector.collect(now_ms, now_ms / 1000)
                for reading in collected.readings:
                    if reading.channel == "inverter-1.ac_power":
                        powers[now_ms] = reading.value
                    if reading.channel == "inverter-1.ac_energy":
                        energies[now_ms] = reading.value
                if collector.trouble is not None:
                    told[now_ms] = collector.trouble.why
                    assert collector.trouble.since_ms == FROZEN
                    assert set(collector.down) == {"inverter-1"}
            await collector.close()
        believed = sorted(at for at in powers if FROZEN <= at < OVER)
        assert believed == [FROZEN + n * MINUTE_MS for n in range(3)]
        assert sorted(told) == [at for at in range(FROZEN, OVER, MINUTE_MS) if at not in believed]
        assert all("gateway repeats old values" in why and "stalled" not in why for why in told.values())
        assert collector.refused["repeated"] > 100
        # Once it is live again it is believed at once; the energy that flowed meanwhile is the register's, not ours.
        assert set(powers) >= set(range(OVER, OVER + 10 * MINUTE_MS, MINUTE_MS))
        assert energies[OVER] - energies[FROZEN] == 38 * 40
        assert math.isfinite(sum(powers.values()))
        assert collector.trouble is None
        assert not collector.down

    asyncio.run(steps())


def test_case_a4_at_night_the_same_zeros_for_hours_are_no_old_values() -> None:
    async def steps() -> None:
        async with Server(hold(block(0, 0, 20_000_000))) as server:
            collector = BusCollector("home", server.address, [INVERTER], 300.0, tcp_line(server.address))
            for now_ms in range(START, START + 600 * MINUTE_MS, 5 * MINUTE_MS):
                assert (await collector.collect(now_ms, now_ms / 1000)).readings
                assert collector.trouble is None
            await collector.close()

    asyncio.run(steps())
