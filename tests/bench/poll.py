"""How fast a SunSpec poll is, beside bare pymodbus reading the same registers; and whether the dead hold up the living.

    python -m tests.bench.poll            over TCP
    python -m tests.bench.poll --serial   over a pair of serial ports (socat)
    python -m tests.bench.poll --fleet    50 devices, five of them dead or hanging

The device is served by a process of its own. Five pairs are timed in turn and the medians compared, so that whatever
else the machine does falls on both. A pair of ports has no wire in it, whose bytes would take ten times as long as
either program; what is left is the silence between two frames, which we keep and bare pymodbus does not. Goals: over
TCP bare pymodbus at most 1.3 times as fast, with as many requests; on a serial line at most five times; the living keep
their interval within 20 %.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import multiprocessing
import statistics
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from itertools import pairwise
from multiprocessing.connection import Connection
from pathlib import Path

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.collect.modbus.serial_wire import pair
from tests.collect.modbus.wire import INVERTER_A1, Server, hold, sunspec
from watcher.clock import SystemClock
from watcher.collect.collectors import BusCollector
from watcher.collect.modbus.blocks import Refused, Span
from watcher.collect.modbus.bus import DeviceOnBus, ModbusBus
from watcher.collect.modbus.client import tcp_line
from watcher.collect.modbus.line import BusLine
from watcher.collect.modbus.registers import Words
from watcher.collect.modbus.rtu_line import RtuLine
from watcher.domain.site import SerialSettings
from watcher.loops import Loop, run_all

PAIRS, POLLS, BAUD = 5, 1500, 115200

_INPUT = [0, *[0] * 8, 675, 3812, 2573, 0x0165, 0xEC15, 0, 60, 35, 4, 0, 0]
_MODELS = [INVERTER_A1, [160, 48, 0xFFFE, 0xFFFF, 0, 0, 0, 0, 2, 60, *_INPUT, *_INPUT]]


def serve(ready: Connection) -> None:
    """The device on TCP: a single-phase inverter with two inputs."""

    async def steps() -> None:
        async with Server(hold(sunspec(*_MODELS))) as server:
            ready.send(server.port)
            await asyncio.Event().wait()

    asyncio.run(steps())


def serve_serial(ready: Connection, port: str) -> None:
    """The same device on a serial line."""

    async def steps() -> None:
        held = sunspec(*_MODELS)
        words = [held[address] for address in sorted(held)]
        device = SimDevice(id=1, simdata=[SimData(40000, values=words, datatype=DataType.REGISTERS)])
        server = ModbusSerialServer([device], framer=FramerType.RTU, port=port, baudrate=BAUD)
        await server.serve_forever(background=True)
        ready.send(0)
        await asyncio.Event().wait()

    asyncio.run(steps())


async def polls_a_second(poll: Callable[[], Awaitable[object]], polls: int = POLLS) -> float:
    began = time.perf_counter()
    for _ in range(polls):
        await poll()
    return polls / (time.perf_counter() - began)


class Listening(BusLine):
    """A line that notes what is asked on it."""

    def __init__(self, line: BusLine) -> None:
        self._line, self.counted, self.silence_s = line, line.counted, line.silence_s
        self.spans: list[Span] = []

    async def ask(self, unit: int, span: Span, *, patient: bool) -> Words | Refused:
        self.spans.append(span)
        return await self._line.ask(unit, span, patient=patient)

    def close(self) -> None:
        self._line.close()


async def compare(line: BusLine, bare: AsyncModbusTcpClient | AsyncModbusSerialClient, polls: int, goal: float) -> None:
    """Both in turn; on a serial line each opens the port anew, since it serves one of them at a time."""
    listening = Listening(line)
    bus = ModbusBus(listening, [DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")])
    readings = len((await bus.poll("inverter-1", 0, 0.0)).readings)
    listening.spans.clear()
    await bus.poll("inverter-1", 60_000, 60.0)
    spans = tuple(listening.spans)
    bus = ModbusBus(line, [DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")])
    await bus.poll("inverter-1", 0, 0.0)

    async def ours() -> None:
        await bus.poll("inverter-1", 60_000, 60.0)

    async def plain() -> None:
        for span in spans:
            reply = await bare.read_holding_registers(span.first, count=span.count, device_id=1)
            assert len(reply.registers) == span.count

    pairs = []
    for _ in range(PAIRS):
        await ours()
        mine = await polls_a_second(ours, polls)
        await bus.close()
        await asyncio.sleep(0.1)
        await bare.connect()
        pairs.append((mine, await polls_a_second(plain, polls)))
        bare.close()
        await asyncio.sleep(0.1)
    print(f"requests a poll: {len(spans)} each ({', '.join(str(span.count) for span in spans)} words)")
    print(f"ours  {statistics.median(pair[0] for pair in pairs):8.0f} polls/s, {readings} readings each")
    print(f"bare  {statistics.median(pair[1] for pair in pairs):8.0f} polls/s, nothing decoded")
    ratio = statistics.median(pair[1] / pair[0] for pair in pairs)
    print(f"bare / ours {ratio:.2f}, ours / bare {1 / ratio:.2f} (goal: bare at most {goal} times as fast)")


FLEET, DEAD, EVERY_S, LASTS_S = 50, 5, 2.0, 60.0


async def fleet() -> None:
    """50 devices on 50 ports, each asked every two seconds for a minute. Two accept and say nothing, two are not there,
    and one hangs up; times are a fifth of the usual, so that the dead cost as much of an interval as they do of ten."""
    async with contextlib.AsyncExitStack() as stack:
        living = [await stack.enter_async_context(Server(hold(sunspec(*_MODELS)))) for _ in range(FLEET - DEAD)]
        mute = [await stack.enter_async_context(Server(lambda _: None)) for _ in range(2)]
        gone = [await stack.enter_async_context(Server(lambda _: None)) for _ in range(2)]
        for server in gone:
            await server.__aexit__()
        rude = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0)
        addresses = [server.address for server in (*living, *mute, *gone)]
        addresses.append(f"127.0.0.1:{rude.sockets[0].getsockname()[1]}")
        heard: dict[str, list[float]] = {address: [] for address in addresses}
        clock, stop = SystemClock(), asyncio.Event()

        def loop(address: str) -> Loop:
            device = DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")
            collector = BusCollector("home", address, [device], EVERY_S, tcp_line(address, 0.6))

            async def turn() -> None:
                collected = await collector.collect(clock.now_ms(), clock.monotonic())
                if collected.readings or collector.trouble is not None:
                    heard[address].append(clock.monotonic())

            return Loop(address, EVERY_S, turn)

        running = asyncio.create_task(run_all([loop(address) for address in addresses], clock, stop))
        await asyncio.sleep(LASTS_S)
        stop.set()
        await running
        rude.close()
        off = sorted(
            abs(later - earlier - EVERY_S) / EVERY_S
            for server in living
            for earlier, later in pairwise(heard[server.address])
        )
        fewest = min(len(heard[server.address]) for server in living)
        dead = sum(bool(heard[address]) for address in addresses[len(living) :])
    print(f"{FLEET} devices, {DEAD} of them dead or hanging ({dead} of those ever heard), every {EVERY_S:g} s")
    print(f"turns of the living: {fewest} or more each in {LASTS_S:g} s, {len(off)} intervals")
    print(f"deviation of an interval: worst {off[-1]:.1%}, median {off[len(off) // 2]:.1%} (goal: within 20 %)")


def over_tcp() -> None:
    with device(serve) as port:
        line = tcp_line(f"127.0.0.1:{port}")

        async def steps() -> None:
            await compare(line, AsyncModbusTcpClient("127.0.0.1", port=port), POLLS, 1.3)

        asyncio.run(steps())


def over_serial() -> None:
    with tempfile.TemporaryDirectory() as folder, pair(Path(folder)) as (ours, theirs), device(serve_serial, theirs):
        line = RtuLine(ours, SerialSettings(baud=BAUD))

        async def steps() -> None:
            bare = AsyncModbusSerialClient(ours, framer=FramerType.RTU, baudrate=BAUD)
            await compare(line, bare, POLLS // 5, 5.0)

        asyncio.run(steps())


@contextlib.contextmanager
def device(served_by: Callable[..., None], *more: str) -> Iterator[int]:
    """A process that serves; the port it says it serves at."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=served_by, args=(there, *more), daemon=True)
    process.start()
    try:
        yield here.recv()
    finally:
        process.terminate()
        process.join()


def main() -> None:
    kinds = argparse.ArgumentParser(prog="tests.bench.poll", description="Polls beside bare pymodbus.")
    which = kinds.add_mutually_exclusive_group()
    which.add_argument("--serial", action="store_true", help="over a pair of serial ports")
    which.add_argument("--fleet", action="store_true", help="50 devices, five of them dead or hanging")
    wanted = kinds.parse_args()
    if wanted.fleet:
        asyncio.run(fleet())
    elif wanted.serial:
        over_serial()
    else:
        over_tcp()


if __name__ == "__main__":
    main()
