"""How fast a SunSpec poll is, beside bare pymodbus reading the same registers: python -m tests.bench.poll

The device is served by a process of its own. Five pairs are timed in turn and the medians compared, so that whatever
else the machine does falls on both. Goal: bare pymodbus at most 1.3 times as fast, with as many requests.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import statistics
import time
from collections.abc import Awaitable, Callable
from multiprocessing.connection import Connection

from pymodbus.client import AsyncModbusTcpClient

from tests.collect.modbus.wire import INVERTER_A1, Recorder, Server, hold, sunspec
from watcher.collect.modbus.blocks import Span
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.client import ModbusTcpBus

PAIRS, POLLS = 5, 1500

_INPUT = [0, *[0] * 8, 675, 3812, 2573, 0x0165, 0xEC15, 0, 60, 35, 4, 0, 0]
_MODELS = [INVERTER_A1, [160, 48, 0xFFFE, 0xFFFF, 0, 0, 0, 0, 2, 60, *_INPUT, *_INPUT]]


def serve(ready: Connection) -> None:
    """The device: a single-phase inverter with two inputs."""

    async def steps() -> None:
        async with Server(hold(sunspec(*_MODELS))) as server:
            ready.send(server.port)
            await asyncio.Event().wait()

    asyncio.run(steps())


async def polls_a_second(poll: Callable[[], Awaitable[object]]) -> float:
    began = time.perf_counter()
    for _ in range(POLLS):
        await poll()
    return POLLS / (time.perf_counter() - began)


async def spans_of_a_poll(port: int) -> list[Span]:
    """What one of our polls asks for, as seen on the wire."""
    async with Recorder(port) as recorder:
        bus = ModbusTcpBus(recorder.address, [DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")])
        await bus.poll("inverter-1", 0, 0.0)
        recorder.requests.clear()
        await bus.poll("inverter-1", 60_000, 60.0)
        await bus.close()
        return [Span(int.from_bytes(r[8:10], "big"), int.from_bytes(r[10:12], "big")) for r in recorder.requests]


async def compare(port: int) -> None:
    spans = await spans_of_a_poll(port)
    bus = ModbusTcpBus(f"127.0.0.1:{port}", [DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")])
    bare = AsyncModbusTcpClient("127.0.0.1", port=port)
    await bare.connect()
    readings = len((await bus.poll("inverter-1", 0, 0.0)).readings)

    async def ours() -> None:
        await bus.poll("inverter-1", 60_000, 60.0)

    async def plain() -> None:
        for span in spans:
            await bare.read_holding_registers(span.first, count=span.count, device_id=1)

    pairs = []
    for _ in range(PAIRS):
        pairs.append((await polls_a_second(ours), await polls_a_second(plain)))
    await bus.close()
    bare.close()
    print(
        f"requests a poll: ours {len(spans)}, bare {len(spans)} ({', '.join(str(span.count) for span in spans)} words)"
    )
    print(f"ours  {statistics.median(pair[0] for pair in pairs):8.0f} polls/s, {readings} readings each")
    print(f"bare  {statistics.median(pair[1] for pair in pairs):8.0f} polls/s, nothing decoded")
    print(f"bare / ours {statistics.median(pair[1] / pair[0] for pair in pairs):.2f} (goal: at most 1.3)")


def main() -> None:
    here, there = multiprocessing.Pipe()
    context = multiprocessing.get_context("spawn")
    device = context.Process(target=serve, args=(there,), daemon=True)
    device.start()
    try:
        asyncio.run(compare(here.recv()))
    finally:
        device.terminate()
        device.join()


if __name__ == "__main__":
    main()
