"""From a site file that names a serial port to readings, put together as the daemon is."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest

from tests.collect.modbus.serial_wire import Asked, Units, exception, pair, reply
from tests.collect.modbus.wire import INVERTER_A1, sunspec
from watcher.collect.collectors import BusCollector
from watcher.wiring import assemble

CONFIG = Path(__file__).resolve().parents[3] / "config"
METER_MODEL = [201, 105, *[0x8000] * 36, 0, 5, *[0, 0] * 3, 0, 9, *[0, 0] * 3, 0, *[0] * 50]


def test_inverter_and_meter_of_a_site_file_are_read_over_one_port(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def answer(question: Asked) -> list[tuple[float, bytes]]:
        held = {1: sunspec(INVERTER_A1), 2: sunspec(METER_MODEL)}.get(question.unit, {})
        wanted = range(question.first, question.first + question.count)
        if not held:
            return []
        if not all(address in held for address in wanted):
            return [(0.0, exception(question.unit, question.function, 2))]
        return [(0.0, reply(question.unit, question.function, [held[address] for address in wanted]))]

    async def steps(ours: str) -> dict[str, float]:
        shutil.copytree(CONFIG, tmp_path / "config")
        home = tmp_path / "config" / "sites" / "example-home.toml"
        text = home.read_text().replace('kind = "modbus-tcp"', 'kind = "modbus-rtu"\nbaud = 115200\nquiet_gap_s = 0.2')
        home.write_text(text.replace("192.168.1.20:502", ours))
        parts = assemble(tmp_path / "config" / "watcher.toml")
        (bus,) = [one for one in parts.collectors if isinstance(one, BusCollector)]
        collected = await bus.collect(parts.clock.now_ms(), parts.clock.monotonic())
        await bus.close()
        parts.readings.close()
        parts.ledger.close()
        assert set(bus.down) == {"sensor-1"}
        assert bus.refused["silent"] == 1
        return {reading.channel: reading.value for reading in collected.readings}

    with pair(tmp_path) as (ours, theirs), Units(theirs, answer):
        read = asyncio.run(steps(ours))
    assert read["inverter-1.ac_power"] == 3158.0
    assert read["meter-1.energy_export"] == 5.0
    assert [record.message.split()[0] for record in caplog.records] == ["device-down"]
