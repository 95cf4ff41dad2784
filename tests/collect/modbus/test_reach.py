"""How a device is reached over a network: names that hang, doors that are shut, and who shares a line."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from tests.collect.modbus.wire import INVERTER_A1, Server, hold, sunspec
from watcher.collect.modbus.blocks import Span
from watcher.collect.modbus.bus import DeviceOnBus, ModbusBus
from watcher.collect.modbus.client import Line, ModbusTcpBus, tcp_line
from watcher.collect.modbus.desk import LineDesk
from watcher.collect.modbus.host_names import HostName
from watcher.collect.modbus.line import SilentError
from watcher.domain.errors import CollectError
from watcher.domain.site import Source, SourceKind

INVERTER = DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")


def test_a_name_server_that_hangs_holds_nobody_up_and_is_asked_by_one_thread_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    go_on, looking = threading.Event(), []

    def hanging(host: str, *_: Any, **__: Any) -> Any:
        looking.append(host)
        go_on.wait(30)
        raise socket.gaierror("no such host")

    monkeypatch.setattr(socket, "getaddrinfo", hanging)

    async def steps() -> None:
        async with Server(lambda q: [7] * q.count) as server:
            hung = Line("inverter.example.org", 502, 0.05, Counter())
            living = Line("127.0.0.1", server.port, 1.0, Counter())
            for _ in range(3):
                waiting = asyncio.create_task(hung.ask(1, Span(0, 1), patient=False))
                assert list(await living.ask(1, Span(0, 1), patient=False)) == [7]
                assert not waiting.done()  # the others keep their beat while it hangs
                with pytest.raises(OSError, match="name server does not answer"):
                    await waiting
            assert hung.counted == {"unconnected": 3}
            living.close()

    try:
        asyncio.run(steps())
    finally:
        go_on.set()
    assert looking == ["inverter.example.org"]


def test_a_name_that_leads_nowhere_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: Any, **__: Any) -> Any:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with pytest.raises(OSError, match="there is no such host as inverter"):
        asyncio.run(HostName("inverter.invalid", 502).addresses(5.0))


@pytest.mark.parametrize("host", ["127.0.0.1", "192.168.1.20", "::1", "fe80::1"])
def test_an_address_needs_no_name_server(monkeypatch: pytest.MonkeyPatch, host: str) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: pytest.fail("it was asked"))
    assert asyncio.run(HostName(host, 502).addresses(5.0)) == [host]


def test_where_a_name_has_several_addresses_the_one_that_answers_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    async def steps() -> list[int]:
        async with Server(lambda q: [7] * q.count) as server:
            both = [(0, 0, 0, "", ("127.0.0.2", server.port)), (0, 0, 0, "", ("127.0.0.1", server.port))]
            monkeypatch.setattr("watcher.collect.modbus.host_names.socket.getaddrinfo", lambda *_, **__: both)
            line = Line("inverter.example.org", server.port, 1.0, Counter())
            words = list(await line.ask(1, Span(0, 1), patient=False))
            line.close()
            assert line.counted == {}
            return words

    assert asyncio.run(steps()) == [7]


def test_a_door_that_is_shut_is_said_with_what_may_stand_in_it() -> None:
    async def steps() -> str:
        async with Server(lambda _: None) as server:
            port = server.port
        bus = ModbusTcpBus(f"127.0.0.1:{port}", [INVERTER])
        with pytest.raises(CollectError) as caught:
            await bus.poll("inverter-1", 0, 0.0)
        await bus.close()
        return str(caught.value)

    told = asyncio.run(steps())
    assert "it is refused; many devices serve one program at a time" in told


def test_a_device_that_throws_out_whoever_comes_second_is_said_so_and_left_alone_for_a_while() -> None:
    async def steps() -> tuple[str, int]:
        connections = 0

        async def throw_out(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            nonlocal connections
            connections += 1
            await reader.read(12)
            writer.close()
            await writer.wait_closed()

        server = await asyncio.start_server(throw_out, "127.0.0.1", 0)
        address = f"127.0.0.1:{server.sockets[0].getsockname()[1]}"
        bus = ModbusTcpBus(address, [INVERTER], timeout_s=0.1)
        with pytest.raises(CollectError) as caught:
            await bus.poll("inverter-1", 0, 0.0)
        after_the_first = connections
        with pytest.raises(CollectError, match="waiting"):
            await bus.poll("inverter-1", 0, 5.0)
        assert connections == after_the_first
        await bus.close()
        server.close()
        await server.wait_closed()
        return str(caught.value), connections

    told, connections = asyncio.run(steps())
    assert "takes the connection and hangs up; many devices serve one program at a time" in told
    assert connections <= 2


def test_a_device_that_serves_one_program_at_a_time_is_read_for_two_sites_over_one_connection() -> None:
    async def steps() -> int:
        async with Server(hold(sunspec(INVERTER_A1))) as server:
            desk = LineDesk()
            source = Source(SourceKind.MODBUS_TCP, "inverter-1", server.address)
            buses = [ModbusBus(desk.line(source), [INVERTER]) for _ in range(2)]
            polled = await asyncio.gather(*(bus.poll("inverter-1", 0, 0.0) for bus in buses))
            assert all(one.readings for one in polled)
            # One of them ends; the other goes on.
            await buses[0].close()
            assert (await buses[1].poll("inverter-1", 60_000, 60.0)).readings
            await buses[1].close()
            return server.connections

    assert asyncio.run(steps()) == 2


def test_a_device_that_stays_busy_is_asked_twice_and_keeps_its_connection() -> None:
    async def steps() -> None:
        async with Server(lambda _: 6) as server:
            bus = ModbusBus(tcp_line(server.address), [INVERTER])
            with pytest.raises(CollectError, match="exception 6"):
                await bus.poll("inverter-1", 0, 0.0)
            assert (len(server.asked), server.connections) == (2, 1)
            await bus.close()

    asyncio.run(steps())


def test_a_serial_source_gets_a_serial_line_for_its_settings(tmp_path: Path) -> None:
    from watcher.collect.modbus.rtu_line import RtuLine

    desk = LineDesk()
    one, two = (Source(SourceKind.MODBUS_RTU, f"meter-{n}", str(tmp_path / "port"), unit=n) for n in (1, 2))
    assert isinstance(desk.line(one), RtuLine)
    assert desk.line(one) is desk.line(two)
    with pytest.raises((OSError, SilentError), match="no serial port"):
        asyncio.run(desk.line(one).ask(1, Span(0, 1), patient=False))
