"""The simulated home as a process: `python -m watcher.simulate`.

Rule: the first line on stdout is the ports; after that one JSON line answers each JSON line on stdin. Between two
`now` lines the world stands still. With --real-time it follows the machine's clock instead.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
import threading
from collections.abc import Sequence
from contextlib import AsyncExitStack
from dataclasses import asdict
from pathlib import Path
from typing import Any

from watcher.clock import SystemClock
from watcher.domain.errors import SetupError
from watcher.domain.instant import MINUTE_MS, parse_iso
from watcher.simulate.mail_sink import MailSink
from watcher.simulate.modbus_devices import ModbusDevices
from watcher.simulate.ports import Ports
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.weather_service import WeatherService
from watcher.simulate.world import World

END = ""
"""What stands for the end of stdin, or a signal to stop."""


def _say(line: object) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


def _obey(world: World, line: str) -> dict[str, object]:
    """Do what one line asks and return the answer."""
    try:
        asked: Any = json.loads(line)
        if not isinstance(asked, dict) or len(asked) != 1:
            raise ValueError("one of now, truth, quit is expected")
        if isinstance(asked.get("now"), int):
            world.advance(asked["now"])
            return {"now": world.now_ms}
        if asked.get("truth") is True:
            return {"truth": world.truth()}
        if asked.get("quit") is True:
            return {"done": True}
        raise ValueError("one of now, truth, quit is expected")
    except ValueError as error:
        return {"error": str(error)}


async def _open(stack: AsyncExitStack, part: ModbusDevices | WeatherService | MailSink) -> int:
    port = await part.start()
    stack.push_async_callback(part.stop)
    return port


async def _run(world: World, seed: int, mail_folder: Path, real_time: bool) -> None:
    lines: asyncio.Queue[str] = asyncio.Queue()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, lines.put_nowait, END)

    def listen() -> None:
        for line in sys.stdin:
            loop.call_soon_threadsafe(lines.put_nowait, line)
        if not real_time:
            loop.call_soon_threadsafe(lines.put_nowait, END)

    async with AsyncExitStack() as stack:
        ports = Ports(
            modbus=await _open(stack, ModbusDevices(world)),
            weather=await _open(stack, WeatherService(world, seed)),
            mail=await _open(stack, MailSink(mail_folder, lambda: world.now_ms)),
        )
        _say({**asdict(ports), "now": world.now_ms})
        # A thread of its own: a read from stdin can't be called off, and this one may die with the process.
        threading.Thread(target=listen, daemon=True).start()
        async with asyncio.TaskGroup() as group:
            ticking = group.create_task(_follow_the_clock(world)) if real_time else None
            while (line := await lines.get()) != END:
                answer = _obey(world, line)
                _say(answer)
                if "done" in answer:
                    break
            if ticking is not None:
                ticking.cancel()


async def _follow_the_clock(world: World) -> None:
    clock = SystemClock()
    while True:
        # A clock set back holds the world where it is until time has caught up.
        world.advance(max(world.now_ms, clock.now_ms()))
        await clock.sleep_until(clock.monotonic() + 1.0)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m watcher.simulate", description="A simulated home, on loopback.")
    parser.add_argument("--seed", type=int, default=1, help="what the weather and all noise are drawn from")
    parser.add_argument("--start", help="ISO 8601 instant with an offset, on a whole minute")
    parser.add_argument("--scenario", type=Path, required=True, help="TOML file: what was built and what goes wrong")
    parser.add_argument("--mail-folder", type=Path, required=True, help="where accepted messages are kept")
    parser.add_argument("--truth", type=Path, help="file for the truth in replay lines, written at the end")
    parser.add_argument("--real-time", action="store_true", help="follow the machine's clock from now on")
    options = parser.parse_args(argv)
    if options.start is None and not options.real_time:
        parser.error("--start is needed unless the home runs in real time")
    try:
        scenario = parse_scenario(options.scenario.read_text(encoding="utf-8"), str(options.scenario))
        now_ms = SystemClock().now_ms()
        start_ms = parse_iso(options.start) if options.start else now_ms - now_ms % MINUTE_MS
        if options.real_time and start_ms > now_ms:
            raise ValueError("in real time the start can't lie in the future")
        world = World(options.seed, start_ms, scenario)
    except (OSError, ValueError, SetupError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    asyncio.run(_run(world, options.seed, options.mail_folder, options.real_time))
    if options.truth is not None:
        options.truth.write_text("".join(json.dumps(line) + "\n" for line in world.truth()), encoding="utf-8")
    return 0
