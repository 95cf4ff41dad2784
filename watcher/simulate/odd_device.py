"""A device with a fault of one's choice, to try `watcher probe` on: `python -m watcher.simulate.odd_device --help`.

Rule: registers can be read, never written. It says its port in one line of JSON, and goes from one moment to the next
with every answered poll, so that two runs show the same numbers.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.register_map import RegisterMap
from watcher.config import load_map
from watcher.config.toml_text import read_text
from watcher.domain.errors import SetupError
from watcher.simulate.odd_registers import Slip, TimeOfDay, as_built, plant, shown, span_of, words

MAP = Path("config/devices/simulated-inverter.toml")


class OddDevice:
    """Unit 1: what a map describes, built with a slip. moment: how often its power was read so far."""

    def __init__(self, registers: RegisterMap, slip: Slip, time: TimeOfDay) -> None:
        self._built, self._slip, self._time = as_built(registers, slip), slip, time
        self._pace = next(p.value for p in self._built.points if p.quantity.name in ("ac_power", "energy_index"))
        self.moment = 0
        self._server: ModbusTcpServer | None = None

    async def start(self, port: int = 0) -> int:
        """Listen on loopback; return the port."""
        self._server = ModbusTcpServer([self._device()], address=("127.0.0.1", port), ignore_missing_devices=True)
        await self._server.serve_forever(background=True)
        listener: Any = self._server.transport
        return int(listener.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]

    def _device(self) -> SimDevice:
        spans = {table: span_of(self._built, table) for table in Table}
        blocks = {
            table: [SimData(span.first, values=[0] * span.count, datatype=DataType.REGISTERS)]
            for table, span in spans.items()
            if span is not None
        }

        async def action(
            function: int, start: int, address: int, count: int, registers: list[int], written: object
        ) -> ExcCodes | None:
            table = Table.INPUT if function == Table.INPUT else Table.HOLDING
            if written is not None or table not in blocks:
                return ExcCodes.ILLEGAL_FUNCTION
            values = shown(plant(self._time, self.moment), self._slip, self.moment)
            for (held, at), word in words(self._built, values).items():
                if held is table and 0 <= at - start < len(registers):
                    registers[at - start] = word
            if table is self._pace.table and address <= self._pace.first and self._pace.end <= address + count:
                self.moment += 1
            return None

        empty = [SimData(0, count=1, datatype=DataType.INVALID)]
        bits = [SimData(0, count=1, datatype=DataType.BITS)]
        data = (bits, bits, blocks.get(Table.HOLDING, empty), blocks.get(Table.INPUT, empty))
        return SimDevice(id=1, simdata=data, action=action)


async def _run(device: OddDevice, port: int) -> None:
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ended.set)
    found = await device.start(port)
    sys.stdout.write(json.dumps({"modbus": found}) + "\n")
    sys.stdout.flush()
    await ended.wait()
    await device.stop()


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m watcher.simulate.odd_device", description="An inverter built otherwise than its map says."
    )
    parser.add_argument(
        "--fault", type=Slip, choices=list(Slip), default=Slip.NONE, help="how it differs (%(default)s)"
    )
    parser.add_argument("--time", type=TimeOfDay, choices=list(TimeOfDay), default=TimeOfDay.NOON, help="(%(default)s)")
    parser.add_argument("--map", type=Path, default=MAP, metavar="FILE", help="what its manual says (%(default)s)")
    parser.add_argument("--port", type=int, default=0, help="0 takes any that is free")
    options = parser.parse_args(argv)
    try:
        registers = load_map(read_text(options.map), str(options.map), options.map.stem)
    except SetupError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    asyncio.run(_run(OddDevice(registers, options.fault, options.time), options.port))
    return 0


if __name__ == "__main__":
    sys.exit(main())
