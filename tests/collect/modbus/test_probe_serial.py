"""The probe on a serial line: a real pair of ports, and a unit that speaks RTU byte by byte at the other end."""

from __future__ import annotations

import asyncio
import os
import select
import struct
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from tests.collect.modbus.test_probe_wire import DEVICE
from tests.probe.seeing import device_map
from watcher.collect.modbus.probe_wire import NobodyError
from watcher.commands.probe_asked import Asked
from watcher.commands.probe_units import Prober
from watcher.domain.site import SerialSettings
from watcher.probe.judge import judge
from watcher.probe.seen import UnitSeen

QUICK = SerialSettings(baud=115200, quiet_gap_s=0.1)


def crc(frame: bytes) -> bytes:
    """Bit by bit, as the specification's appendix writes it (from memory)."""
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return struct.pack("<H", register)


class Unit:
    """asked: every frame that came. answers: whether a unit id is there"""

    def __init__(self, there: Callable[[int], bool]) -> None:
        self._there = there
        self.asked: list[bytes] = []

    def answer(self, frame: bytes) -> bytes:
        self.asked.append(frame)
        unit, function, first, count = struct.unpack(">BBHH", frame[:6])
        if not self._there(unit) or crc(frame[:6]) != frame[6:]:
            return b""
        wanted = range(first, first + count)
        if function == 4 and all(address < 60 for address in wanted):
            body = struct.pack(f">BBB{count}H", unit, 4, 2 * count, *(DEVICE.get(address, 0) for address in wanted))
        else:
            body = struct.pack(">BBB", unit, function | 0x80, 2)
        return body + crc(body)


@contextmanager
def serial_line(unit: Unit) -> Iterator[str]:
    """The path of a port with a unit at its other end."""
    ours, theirs = os.openpty()
    tty.setraw(ours)
    path = os.ttyname(theirs)
    ended_reading, ended_writing = os.pipe()

    def serve() -> None:
        got = b""
        while True:
            ready, _, _ = select.select([ours, ended_reading], [], [])
            if ended_reading in ready:
                return
            got += os.read(ours, 256)
            while len(got) >= 8:
                frame, got = got[:8], got[8:]
                os.write(ours, unit.answer(frame))

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield path
    finally:
        os.write(ended_writing, b"x")
        thread.join()
        for descriptor in (ours, theirs, ended_reading, ended_writing):
            os.close(descriptor)


def probed(path: str, **wishes: object) -> tuple[UnitSeen, ...]:
    settled = {"serial": QUICK, "seconds": 0.1, "timeout_s": 0.2, "registers": device_map(), **wishes}
    asked = Asked(address=path, **settled)  # type: ignore[arg-type]
    return asyncio.run(Prober(asked, lambda line: None).run())


def test_a_unit_on_a_serial_line_is_read_and_judged_with_function_codes_3_and_4_only() -> None:
    unit = Unit(lambda id: id == 1)
    with serial_line(unit) as path:
        (seen,) = probed(path)
    assert len(seen.samples) == 3
    assert judge(seen).suspicions == ()
    assert {frame[1] for frame in unit.asked} <= {3, 4}


def test_a_silent_unit_is_said_with_what_the_line_was_set_to() -> None:
    with serial_line(Unit(lambda id: False)) as path, pytest.raises(NobodyError) as told:
        probed(path)
    assert f"Unit 1 says nothing on {path} at 115200 baud, parity none, stop bits 1." in str(told.value)
    assert "for the competent" in str(told.value)


def test_units_are_hunted_for_on_one_line() -> None:
    with serial_line(Unit(lambda id: id in (4, 11))) as path:
        found = probed(path, units=tuple(range(1, 13)), hunt=True)
    assert [seen.unit for seen in found] == [4, 11]


def test_a_port_that_is_not_there_is_said_with_those_there_are() -> None:
    with pytest.raises(NobodyError, match="There is no serial port /dev/no-such-port: is the adapter plugged in"):
        probed("/dev/no-such-port")


def test_a_port_somebody_else_has_is_said() -> None:
    async def both(path: str) -> None:
        asked = Asked(address=path, serial=QUICK, seconds=5.0, timeout_s=0.2, registers=device_map())
        first = asyncio.create_task(Prober(asked, lambda line: None).run())
        await asyncio.sleep(0.5)
        try:
            await Prober(asked, lambda line: None).run()
        finally:
            first.cancel()

    with serial_line(Unit(lambda id: id == 1)) as path, pytest.raises(NobodyError, match="Another program has"):
        asyncio.run(both(path))
