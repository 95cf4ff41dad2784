"""The simulated devices on the wire, read by an independent SunSpec client."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException
from sunspec2.modbus.client import SunSpecModbusClientDeviceTCP

from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.simulate.faults import Fault, FaultKind
from watcher.simulate.modbus_devices import ModbusDevices
from watcher.simulate.scenario import ModbusFacts, Scenario
from watcher.simulate.world import World

START = parse_iso("2026-06-08T00:00Z")
NOON = START + 12 * HOUR_MS
MakeWorld = Callable[..., World]


def on_the_wire(world: World, use: Callable[[int], Awaitable[Any]]) -> Any:
    async def run() -> Any:
        devices = ModbusDevices(world)
        port = await devices.start()
        try:
            return await use(port)
        finally:
            await devices.stop()

    return asyncio.run(run())


def scan(world: World, unit: int) -> SunSpecModbusClientDeviceTCP:
    """Every model of a unit, as the independent client finds and decodes it."""
    device = SunSpecModbusClientDeviceTCP(slave_id=unit, ipaddr="127.0.0.1", ipport=0, timeout=5)

    async def use(port: int) -> SunSpecModbusClientDeviceTCP:
        device.client.ipport = port
        await asyncio.to_thread(device.scan)
        return device

    return on_the_wire(world, use)


def points(model: Any) -> dict[str, Any]:
    assert model.error_info == ""
    return {name: point.cvalue for name, point in model.points.items()}


@pytest.mark.parametrize("phases", [1, 3])
def test_an_independent_client_reads_the_inverter_as_the_world_knows_it(
    make_world: MakeWorld, demo: Scenario, phases: int
) -> None:
    world = make_world(inverter=replace(demo.inverter, phases=phases))
    world.advance(NOON)
    device, view = scan(world, 1), world.inverter()
    assert view is not None
    plant = view.plant
    assert sorted(key for key in device.models if isinstance(key, int)) == [1, {1: 101, 3: 103}[phases], 160]
    assert points(device.models[1][0])["SN"] == "INV-30418"

    seen = points(device.models[101 if phases == 1 else 103][0])
    assert seen["W"] == pytest.approx(plant.ac_power_w, abs=0.5)
    assert seen["PhVphA"] == pytest.approx(plant.ac_voltage_v, abs=0.051)
    assert seen["A"] == pytest.approx(plant.ac_power_w / plant.ac_voltage_v, abs=0.0051)
    assert seen["Hz"] == pytest.approx(plant.frequency_hz, abs=0.0051)
    assert seen["WH"] == view.energy_wh
    assert seen["DCW"] == pytest.approx(plant.dc_power_w, abs=0.51)
    assert seen["TmpCab"] == pytest.approx(plant.cabinet_c, abs=0.051)
    assert (seen["St"], seen["Evt1"], seen["Evt2"]) == (4, 0, 0)
    absent = {"VA", "VAr", "PF", "DCA", "DCV", "TmpSnk", "StVnd", "EvtVnd1"}
    assert all(seen[name] is None for name in absent)
    assert (seen["PhVphB"] is None) == (phases == 1)

    trackers = device.models[160][0]
    assert points(trackers)["N"] == 2
    for module, state, energy in zip(trackers.groups["module"], plant.inputs, view.input_energy_wh, strict=True):
        input_points = {name: point.cvalue for name, point in module.points.items()}
        assert input_points["DCA"] == pytest.approx(state.current_a, abs=0.0051)
        assert input_points["DCV"] == pytest.approx(state.voltage_v, abs=0.051)
        assert input_points["DCW"] == pytest.approx(state.power_w, abs=0.51)
        assert input_points["DCWH"] == energy


@pytest.mark.parametrize("phases", [1, 3])
def test_an_independent_client_reads_the_meter_as_the_world_knows_it(
    make_world: MakeWorld, demo: Scenario, phases: int
) -> None:
    world = make_world(inverter=replace(demo.inverter, phases=phases))
    world.advance(NOON)
    device, view = scan(world, 2), world.meter()
    assert view is not None
    assert points(device.models[1][0])["SN"] == "0417290"
    seen = points(device.models[201 if phases == 1 else 203][0])
    assert seen["TotWhExp"] == view.export_wh
    assert seen["TotWhExp"] % 100 == 0
    assert seen["TotWhImp"] == view.import_wh
    assert seen["W"] == pytest.approx(-view.power_w, abs=0.51)
    assert seen["PhVphA"] == pytest.approx(view.ac_voltage_v, abs=0.051)
    assert seen["VAR"] is None


async def read(port: int, unit: int, address: int = 40_000, count: int = 10, timeout: float = 3) -> Any:
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=timeout, retries=0)
    await client.connect()
    try:
        return await client.read_holding_registers(address, count=count, device_id=unit)
    finally:
        client.close()


def test_the_end_mark_is_the_last_register_and_nothing_is_behind_it(make_world: MakeWorld) -> None:
    world = make_world()

    async def use(port: int) -> None:
        for unit, length in ((1, 2 + 68 + 52 + 50 + 2), (2, 2 + 68 + 107 + 2)):
            assert (await read(port, unit, 40_000 + length - 2, 2)).registers == [0xFFFF, 0]
            assert (await read(port, unit, 40_000 + length - 1, 2)).exception_code == 2

    on_the_wire(world, use)


def test_registers_stand_still_between_two_steps_of_time(make_world: MakeWorld) -> None:
    world = make_world()
    world.advance(NOON)

    async def use(port: int) -> None:
        first = (await read(port, 1, 40_072, 50)).registers
        assert (await read(port, 1, 40_072, 50)).registers == first
        world.advance(NOON + 1000)
        assert (await read(port, 1, 40_072, 50)).registers != first

    on_the_wire(world, use)


def test_writing_is_refused_and_changes_nothing(make_world: MakeWorld) -> None:
    world = make_world()

    async def use(port: int) -> None:
        before = (await read(port, 1)).registers
        client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=3, retries=0)
        await client.connect()
        assert (await client.write_register(40_003, 7, device_id=1)).exception_code == 1
        client.close()
        assert (await read(port, 1)).registers == before

    on_the_wire(world, use)


@pytest.mark.parametrize(
    ("kind", "silent", "heard"), [(FaultKind.METER_SILENT, 2, 1), (FaultKind.INVERTER_SILENT, 1, 2)]
)
def test_a_silent_device_is_told_by_its_gateway_and_its_neighbour_answers(
    make_world: MakeWorld, kind: FaultKind, silent: int, heard: int
) -> None:
    world = make_world(Fault(kind, NOON, NOON + HOUR_MS))
    world.advance(NOON)

    async def use(port: int) -> None:
        assert (await read(port, silent)).exception_code == 0x0B
        assert (await read(port, heard)).registers[:2] == [0x5375, 0x6E53]
        world.advance(NOON + HOUR_MS)
        assert (await read(port, silent)).registers[:2] == [0x5375, 0x6E53]

    on_the_wire(world, use)


def test_a_silent_device_may_also_say_nothing_at_all(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.METER_SILENT, START), modbus=ModbusFacts(silence="no-answer"))

    async def use(port: int) -> None:
        with pytest.raises(ModbusIOException):
            await read(port, 2, timeout=0.3)
        assert (await read(port, 1)).registers[:2] == [0x5375, 0x6E53]

    on_the_wire(world, use)


def test_case_a3_the_counter_reads_zero_in_a_dip(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.COUNTER_DIP, START, NOON))
    # A SunSpec accumulator of 0 means there is no value.
    assert points(scan(world, 1).models[101][0])["WH"] is None
    world.advance(NOON)
    assert points(scan(world, 1).models[101][0])["WH"] > 18_214_650


def test_case_g2_without_a_grid_the_wire_says_so(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.GENERATION_OFF, START, side="ac"))
    world.advance(NOON)
    seen = points(scan(world, 1).models[101][0])
    assert (seen["St"], seen["Evt1"], seen["W"], seen["PhVphA"]) == (8, 0x10, 0, 0)
