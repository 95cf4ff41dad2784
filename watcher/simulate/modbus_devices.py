"""The home's Modbus side: one TCP port, unit 1 the inverter, unit 2 the generation meter.

Rule: registers can be read, never written; everything read between two steps of time belongs to one moment.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.exceptions import NoSuchIdException
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from watcher.simulate.registers import BASE, inverter_words, meter_words
from watcher.simulate.world import World


class ModbusDevices:
    def __init__(self, world: World) -> None:
        self._world = world
        self._server: ModbusTcpServer | None = None

    async def start(self) -> int:
        """Listen on loopback; return the port."""
        devices = [self._device(1, self._inverter), self._device(2, self._meter)]
        self._server = ModbusTcpServer(devices, address=("127.0.0.1", 0), ignore_missing_devices=True)
        await self._server.serve_forever(background=True)
        listener: Any = self._server.transport
        return int(listener.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]

    def _inverter(self) -> list[int] | None:
        view, scenario = self._world.inverter(), self._world.scenario
        return None if view is None else inverter_words(view, scenario.inputs, scenario.inverter.phases)

    def _meter(self) -> list[int] | None:
        view = self._world.meter()
        return None if view is None else meter_words(view, self._world.scenario.inverter.phases)

    def _device(self, unit: int, words: Callable[[], list[int] | None]) -> SimDevice:
        used = _used(words, unit, self._world)
        shown_ms = -1

        async def action(
            function: int, start: int, address: int, count: int, registers: list[int], written: object
        ) -> ExcCodes | None:
            nonlocal shown_ms
            if written is not None:
                return ExcCodes.ILLEGAL_FUNCTION
            if shown_ms != self._world.now_ms:
                current = words()
                if current is None:
                    # Raised, this makes the server say nothing at all.
                    if self._world.scenario.modbus.silence == "no-answer":
                        raise NoSuchIdException(f"unit {unit} is silent")
                    return ExcCodes.GATEWAY_NO_RESPONSE
                registers[: len(current)] = current
                shown_ms = self._world.now_ms
            return None

        return SimDevice(
            id=unit, simdata=[SimData(BASE, values=[0] * used, datatype=DataType.REGISTERS)], action=action
        )


def _used(words: Callable[[], list[int] | None], unit: int, world: World) -> int:
    """How many registers a unit has; those behind them are refused, as real devices do."""
    current = words()
    if current is not None:
        return len(current)
    # The device is silent just now: its length follows from its models (SunSpec: 2 registers of header each).
    inputs = len(world.scenario.arrays)
    return 2 + 68 + (52 + 10 + 20 * inputs if unit == 1 else 107) + 2
