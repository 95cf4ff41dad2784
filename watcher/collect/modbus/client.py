"""Modbus TCP: the only file that imports pymodbus.

Rule: nothing is ever written to a device. The one door to the wire, Line.ask, sends function codes 3 and 4 and no
other. Replies are believed only where the transaction, the unit, the function and the number of registers are those of
the question (pymodbus checks the first two). After a time-out the connection is closed, so that no late answer and no
half-dead socket outlives it.
"""

from __future__ import annotations

import asyncio
import logging
import struct
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from watcher.collect.modbus.blocks import Refused, Span, Table
from watcher.collect.modbus.bus import DeviceOnBus, ModbusBus
from watcher.collect.modbus.host_names import HostName
from watcher.collect.modbus.line import BUSY, PATIENCE, TRIES, BusLine, SilentError
from watcher.collect.modbus.registers import Words

# It logs every attempt at a device that sleeps all night; what is worth a line is said by those who call us.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

TIMEOUT_S = 3.0

ONE_AT_A_TIME = "many devices serve one program at a time: is an app or a logger connected to it?"


class _Registers(ModbusPDU):
    """A reply's registers, taken apart in one step: twice as fast as one by one, and never an error inside a socket."""

    def decode(self, data: bytes) -> None:
        whole = len(data) % 2 == 1 and data[0] == len(data) - 1
        self.registers = struct.unpack_from(f">{len(data) // 2}H", data, 1) if whole else ()

    def __str__(self) -> str:  # pymodbus asks for it with every reply, whether or not it is logged
        return f"{len(self.registers)} registers"


class _HoldingReply(_Registers):
    function_code = Table.HOLDING


class _InputReply(_Registers):
    function_code = Table.INPUT


class Line(BusLine):
    """One TCP connection, one question at a time."""

    def __init__(self, host: str, port: int, timeout_s: float, counted: Counter[str]) -> None:
        self._host, self._port = HostName(host, port), port
        self._timeout_s, self._patient_s = timeout_s, timeout_s * PATIENCE
        self.silence_s = self._patient_s
        self.counted = counted
        self._client: AsyncModbusTcpClient | None = None
        self._turn = asyncio.Lock()
        self._asked = b""
        self._why = ""

    async def ask(self, unit: int, span: Span, *, patient: bool) -> Words | Refused:
        async with self._turn:
            tries, within_s = (1, self._patient_s) if patient else (TRIES, self._timeout_s)
            for _ in range(tries):
                answer = await self._once(await self._connected(), unit, span, within_s)
                if isinstance(answer, Refused) and answer.code in BUSY:
                    continue
                if answer is not None:
                    return answer
            if isinstance(answer, Refused):
                return answer
            # What hung up while it was asked is there, and serves somebody else.
            hung_up = self._client is not None and not self._client.connected
            self.close()
            raise SilentError(
                f"it takes the connection and hangs up; {ONE_AT_A_TIME}" if hung_up else "no fitting answer"
            )

    async def _connected(self) -> AsyncModbusTcpClient:
        if self._client is not None and self._client.connected:
            return self._client
        self.close()
        try:
            addresses = await self._host.addresses(self._patient_s)
        except OSError:
            self.counted["unconnected"] += 1
            raise
        for address in addresses:
            # It retries nothing and reconnects to nothing by itself: when to try again is decided here.
            self._client = client = AsyncModbusTcpClient(
                address,
                port=self._port,
                timeout=self._patient_s,
                retries=0,
                reconnect_delay=0,
                trace_packet=self._traced,
            )
            client.register(_HoldingReply)
            client.register(_InputReply)
            self._why = "nothing answers there"
            # The library says whether it worked; why it did not stays inside it.
            client.ctx.call_create = self._noting(client.ctx.call_create)
            if await client.connect():
                return client
            self.close()
        self.counted["unconnected"] += 1
        raise ConnectionError(f"no connection: {self._why}")

    def _noting(self, connect: Callable[[], Awaitable[Any]]) -> Callable[[], Any]:
        async def noted() -> Any:
            try:
                return await connect()
            except ConnectionRefusedError:
                self._why = f"it is refused; {ONE_AT_A_TIME}"
                raise
            except OSError as error:
                self._why = error.strerror or str(error)
                raise

        return noted

    async def _once(
        self, client: AsyncModbusTcpClient, unit: int, span: Span, within_s: float
    ) -> Words | Refused | None:
        """Ask once. None where nothing fitting came back."""
        read = client.read_holding_registers if span.table is Table.HOLDING else client.read_input_registers
        client.ctx.comm_params.timeout_connect = within_s  # the library's own timer: a second one around it costs time
        try:
            reply = await read(span.first, count=span.count, device_id=unit)
        except ConnectionException:
            self.counted["broken"] += 1
            return None
        except ModbusIOException:
            self.counted["silent"] += 1
            return None
        if reply.isError():
            self.counted["refused"] += 1
            return Refused(reply.exception_code)
        if len(reply.registers) != span.count or reply.function_code != span.table:
            self.counted["short"] += 1
            return None
        return reply.registers

    def _traced(self, sending: bool, packet: bytes) -> bytes:
        """Count replies that are to another question; pymodbus drops them without a trace."""
        if sending:
            self._asked = packet[:7]
            return packet
        at = 0
        while at + 7 <= len(packet):
            end = at + 6 + int.from_bytes(packet[at + 4 : at + 6])
            if end > len(packet):
                break  # the rest of it comes later, and with it this beginning
            if packet[at : at + 2] != self._asked[:2] or packet[at + 6] != self._asked[6]:
                self.counted["mismatched"] += 1
            at = end
        return packet

    def close(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


def tcp_line(address: str, timeout_s: float = TIMEOUT_S) -> Line:
    """The line to a "host:port"."""
    host, _, port = address.rpartition(":")
    return Line(host.strip("[]"), int(port), timeout_s, Counter())


class ModbusTcpBus(ModbusBus):
    """Every device behind one "host:port", on a line of their own."""

    def __init__(self, address: str, devices: Sequence[DeviceOnBus], *, timeout_s: float = TIMEOUT_S) -> None:
        super().__init__(tcp_line(address, timeout_s), devices)
