"""A device read by its map over TCP, from a simulator that is not ours."""

from __future__ import annotations

import asyncio
import shutil
import struct
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.collect.modbus.wire import INVERTER_A1, Answer, Question, Server, hold, sunspec
from watcher.collect.collectors import BusCollector
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.client import ModbusTcpBus
from watcher.collect.modbus.register_map import RegisterMap
from watcher.config import load_map, load_maps
from watcher.domain.errors import CollectError, Remedy
from watcher.wiring import assemble

CONFIG = Path(__file__).resolve().parents[3] / "config"
TYPES = {
    "int16": (AsyncModbusTcpClient.DATATYPE.INT16, -12345),
    "uint16": (AsyncModbusTcpClient.DATATYPE.UINT16, 54321),
    "int32": (AsyncModbusTcpClient.DATATYPE.INT32, -1234567),
    "uint32": (AsyncModbusTcpClient.DATATYPE.UINT32, 3234567890),
    "int64": (AsyncModbusTcpClient.DATATYPE.INT64, -9876543210),
    "uint64": (AsyncModbusTcpClient.DATATYPE.UINT64, 9876543210),
    "float32": (AsyncModbusTcpClient.DATATYPE.FLOAT32, 50.01),
    "float64": (AsyncModbusTcpClient.DATATYPE.FLOAT64, 1234.000125),
}
PARTS = dict(zip(TYPES, (f"input-{n}" for n in range(1, 9)), strict=True))


def every_type(word_order: str) -> RegisterMap:
    text = f'[device]\ndescription = "one point of every type"\nfunction = 4\nword_order = "{word_order}-first"\n'
    for at, (type, part) in enumerate(PARTS.items()):
        text += f'[[point]]\nquantity = "battery_charge_energy"\npart = "{part}"\naddress = {100 + 5 * at}\n'
        text += f'type = "{type}"\nunit = "kWh"\nscale = 0.5\n' + ("sign = -1\n" if TYPES[type][1] < 0 else "")
    return load_map(text, "every-type.toml", "every-type")


@pytest.mark.parametrize(("word_order", "theirs"), [("high", "big"), ("low", "little")])
def test_every_type_a_library_encodes_and_its_simulator_serves_reads_the_same(word_order: str, theirs: str) -> None:
    registers: list[int] = []
    for type, number in TYPES.values():
        encoded = AsyncModbusTcpClient.convert_to_registers(number, type, word_order=theirs)  # type: ignore[arg-type]
        registers += [*encoded, *[0] * (5 - len(encoded))]
    other = [7] * len(registers)

    async def steps() -> dict[str, float]:
        tables = (
            [SimData(0, values=False, datatype=DataType.BITS)],
            [SimData(0, values=False, datatype=DataType.BITS)],
            [SimData(100, values=other, datatype=DataType.REGISTERS)],
            [SimData(100, values=registers, datatype=DataType.REGISTERS)],
        )
        server = ModbusTcpServer([SimDevice(id=3, simdata=tables)], address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        port = server.transport.sockets[0].getsockname()[1]
        device = DeviceOnBus("device-1", 3, "every-type", "exported", "inverter", every_type(word_order))
        bus = ModbusTcpBus(f"127.0.0.1:{port}", [device])
        try:
            polled = await bus.poll("device-1", 0, 0.0)
            assert polled.identity is None
            assert polled.notes == ()
            return {reading.channel: reading.value for reading in polled.readings}
        finally:
            await bus.close()
            await server.shutdown()

    read = asyncio.run(steps())
    # 500 Wh a step, exactly, in the digits of the number.
    assert read == {
        f"device-1.{PARTS[type]}.battery_charge_energy": float(f"{abs(number) * 500:.10g}")
        for type, (_, number) in TYPES.items()
    }


def test_two_kinds_of_device_share_a_bus_and_each_is_read_in_its_way(tmp_path: Path) -> None:
    """From the files people write to readings, put together as the daemon is."""
    counted = struct.unpack(">4H", struct.pack(">Q", 12_345_678))
    meter = dict.fromkeys(range(90), 0) | {12: 32000, 0: 2405} | dict(enumerate(reversed(counted), 78))
    inverter = sunspec(INVERTER_A1)

    def answer(question: Question) -> Answer:
        return hold(inverter if question.unit == 1 else meter)(question)

    async def steps() -> dict[str, float]:
        async with Server(answer) as server:
            shutil.copytree(CONFIG, tmp_path / "config")
            home = tmp_path / "config" / "sites" / "example-home.toml"
            text = home.read_text().replace("192.168.1.20:502", server.address)
            home.write_text(text.replace("unit = 2\n", 'unit = 2\nmap = "example-meter"\n'))
            parts = assemble(tmp_path / "config" / "watcher.toml")
            (bus,) = [one for one in parts.collectors if isinstance(one, BusCollector)]
            collected = await bus.collect(parts.clock.now_ms(), parts.clock.monotonic())
            await bus.close()
            parts.readings.close()
            parts.ledger.close()
            return {reading.channel: reading.value for reading in collected.readings}

    read = asyncio.run(steps())
    assert read["inverter-1.ac_power"] == 3158.0
    assert {name: value for name, value in read.items() if name.startswith("meter-1")} == {
        "meter-1.ac_power": 3200.0,
        "meter-1.l1.ac_voltage": 240.5,
        "meter-1.energy_export": 12_345_678.0,
        "meter-1.energy_index": 12_345_678.0,
    }


def test_a_silent_device_with_a_map_is_waited_for_like_any_other() -> None:
    asleep = [True]
    registers = dict.fromkeys(range(90), 0) | {0: 2400, 12: 7, 72: 5, 78: 6}

    async def steps() -> None:
        async with Server(lambda question: None if asleep else hold(registers)(question)) as server:
            registers_of = load_maps(CONFIG / "devices").good["example-meter"]
            device = DeviceOnBus("meter-1", 1, "example-meter", "imported", "generation-meter", registers_of)
            bus = ModbusTcpBus(server.address, [device], timeout_s=0.02)
            for monotonic, says in ((0.0, "no fitting answer"), (5.0, "waiting")):
                with pytest.raises(CollectError, match=says) as caught:
                    await bus.poll("meter-1", 0, monotonic)
                assert caught.value.remedy is Remedy.RETRY
            asleep.clear()
            assert len((await bus.poll("meter-1", 0, 60.0)).readings) == 5
            await bus.close()

    asyncio.run(steps())
