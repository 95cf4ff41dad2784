"""Modbus TCP: the only file that imports pymodbus, and the only one in this folder that sees a socket.

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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import TypeVar

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from watcher.collect.modbus.blocks import Asking, Refused, Span, Table
from watcher.collect.modbus.map_reader import RegisterMapReader
from watcher.collect.modbus.models import INDEX_POINTS
from watcher.collect.modbus.plan import DeviceRole
from watcher.collect.modbus.reader import SunSpecReader
from watcher.collect.modbus.register_map import SUNSPEC, RegisterMap
from watcher.collect.modbus.registers import Words
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.reading import Reading

log = logging.getLogger(__name__)

# It logs every attempt at a device that sleeps all night; what is worth a line is said by those who call us.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

TRIES = 2
"""How often a request is sent before the device counts as silent."""

PATIENCE = 10 / 3
"""How much longer than usual a device may take that was silent before: ten seconds for three."""

FIRST_WAIT_S, LONGEST_WAIT_S = 15.0, 300.0
"""A silent device is left alone for this long, twice as long each time, up to the longest."""

_BUSY, _GATEWAY_EXCEPTIONS = (5, 6), (10, 11)

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class DeviceOnBus:
    """id: in the site. unit: Modbus unit id. map, counts: as in domain/site.py's Source.

    registers: the register map of that name; None for a device that speaks SunSpec
    """

    id: str
    unit: int
    map: str
    counts: str
    role: DeviceRole
    registers: RegisterMap | None = None


@dataclass(frozen=True, slots=True)
class Polled:
    """identity: maker, model, options, version and serial as far as given; None unless it was read anew.

    notes: oddities of the device to be recorded; each is given once until it is over
    """

    readings: tuple[Reading, ...]
    identity: Mapping[str, str] | None
    notes: tuple[str, ...] = ()


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


class SilentError(Exception):
    """Nothing, or nothing that fits, came back in time; or a gateway said so for the device behind it."""


class _Patience:
    """How long to leave something alone that did not answer."""

    def __init__(self) -> None:
        self.failed = 0
        self._not_before = float("-inf")

    def waiting(self, monotonic: float) -> bool:
        # Polls come on a beat: one that comes a moment early is not put off by a whole beat more.
        return monotonic < self._not_before - 1.0

    def lost(self, monotonic: float) -> None:
        self._not_before = monotonic + min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(self.failed, 10))
        self.failed += 1

    def found(self) -> None:
        self.failed, self._not_before = 0, float("-inf")


class Line:
    """One TCP connection, one question at a time."""

    def __init__(self, host: str, port: int, timeout_s: float, counted: Counter[str]) -> None:
        self._host, self._port = host, port
        self._timeout_s, self._patient_s = timeout_s, timeout_s * PATIENCE
        self._counted = counted
        self._client: AsyncModbusTcpClient | None = None
        self._turn = asyncio.Lock()
        self._asked = b""

    async def ask(self, unit: int, span: Span, *, patient: bool) -> Words | Refused:
        """Read registers. OSError where there is no connection, SilentError where nothing fitting comes back."""
        async with self._turn:
            tries, within_s = (1, self._patient_s) if patient else (TRIES, self._timeout_s)
            for _ in range(tries):
                answer = await self._once(await self._connected(), unit, span, within_s)
                if isinstance(answer, Refused) and answer.code in _BUSY:
                    continue
                if answer is not None:
                    return answer
            if isinstance(answer, Refused):
                return answer
            self.close()
            raise SilentError("no fitting answer")

    async def converse(self, unit: int, asking: Asking[_T], *, patient: bool = False) -> _T:
        """Carry a conversation with one unit to its end; errors as in ask."""
        try:
            span = next(asking)
            while True:
                answer = await self.ask(unit, span, patient=patient)
                if isinstance(answer, Refused) and answer.code in _GATEWAY_EXCEPTIONS:
                    raise SilentError(f"the gateway cannot reach it (exception {answer.code})")
                span = asking.send(answer)
        except StopIteration as done:
            value: _T = done.value
            return value
        finally:
            asking.close()

    async def _connected(self) -> AsyncModbusTcpClient:
        if self._client is not None and self._client.connected:
            return self._client
        self.close()
        # It retries nothing and reconnects to nothing by itself: when to try again is decided here.
        self._client = client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            timeout=self._patient_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._traced,
        )
        client.register(_HoldingReply)
        client.register(_InputReply)
        if not await client.connect():
            self._counted["unconnected"] += 1
            raise ConnectionError("no connection")
        return client

    async def _once(
        self, client: AsyncModbusTcpClient, unit: int, span: Span, within_s: float
    ) -> Words | Refused | None:
        """Ask once. None where nothing fitting came back."""
        read = client.read_holding_registers if span.table is Table.HOLDING else client.read_input_registers
        client.ctx.comm_params.timeout_connect = within_s  # the library's own timer: a second one around it costs time
        try:
            reply = await read(span.first, count=span.count, device_id=unit)
        except ConnectionException:
            self._counted["broken"] += 1
            return None
        except ModbusIOException:
            self._counted["silent"] += 1
            return None
        if reply.isError():
            self._counted["refused"] += 1
            return Refused(reply.exception_code)
        if len(reply.registers) != span.count or reply.function_code != span.table:
            self._counted["short"] += 1
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
                self._counted["mismatched"] += 1
            at = end
        return packet

    def close(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


class _Unit:
    def __init__(self, device: DeviceOnBus) -> None:
        if device.role not in ("inverter", "meter", "generation-meter") or device.counts not in INDEX_POINTS:
            raise ValueError(f"{device.id}: no device is {device.role!r} and counts what is {device.counts!r}")
        self.device = device
        self.reader = _reader(device)
        self.patience = _Patience()
        self.remedy = Remedy.RETRY  # what would have helped the last time it failed


def _reader(device: DeviceOnBus) -> SunSpecReader | RegisterMapReader:
    if device.registers is not None:
        return RegisterMapReader(device.id, device.registers, device.role, device.counts)
    return SunSpecReader(device.id, device.role, device.counts)


class ModbusTcpBus:
    """Every device behind one "host:port", each with a unit id of its own.

    refused: what went wrong so far, by kind, for the health page: unconnected, silent, broken, refused (exceptions,
        those while a map is being learned included), short, mismatched, moved (values whose scale factor changed)
    """

    def __init__(self, address: str, devices: Sequence[DeviceOnBus], *, timeout_s: float = 3.0) -> None:
        host, _, port = address.rpartition(":")
        self._counted: Counter[str] = Counter()
        self._line = Line(host.strip("[]"), int(port), timeout_s, self._counted)
        self._line_patience = _Patience()
        self._units = {device.id: _Unit(device) for device in devices}

    @property
    def refused(self) -> Mapping[str, int]:
        return self._counted

    async def poll(self, device: str, now_ms: int, monotonic: float) -> Polled:
        """Read one device; its readings carry now_ms.

        A device that did not answer is left alone for 15 s, then twice as long each time, up to 300 s: a poll within
        that time raises CollectError with the cause "waiting" and the last remedy, and touches no wire. A device that
        was silent is given ten seconds instead of three. monotonic: seconds on the caller's clock, for this alone.
        """
        unit = self._units[device]
        if unit.device.map != SUNSPEC and unit.device.registers is None:
            raise CollectError(device, "reading", Remedy.FIX_SETUP, f"no register map is called {unit.device.map!r}")
        if unit.patience.waiting(monotonic) or self._line_patience.waiting(monotonic):
            raise CollectError(device, "reading", unit.remedy, "waiting")
        try:
            asking = unit.reader.poll(now_ms)
            poll = await self._line.converse(unit.device.unit, asking, patient=unit.patience.failed > 0)
        except CollectError as error:
            self._line_patience.found()
            unit.patience.lost(monotonic)
            unit.remedy = error.remedy
            raise
        except (SilentError, OSError) as error:
            if isinstance(error, OSError):
                self._line_patience.lost(monotonic)
            else:
                self._line_patience.found()  # somebody took the connection, if only a gateway
            unit.patience.lost(monotonic)
            unit.reader.away()
            unit.remedy = Remedy.RETRY
            raise CollectError(device, "reading", Remedy.RETRY, error) from error
        self._line_patience.found()
        unit.patience.found()
        for note in poll.notes:
            log.warning("device-oddity device=%s note=%s", device, note)
        self._counted["moved"] += len(poll.decoded.moved)
        values = poll.decoded.values
        readings = tuple(map(Reading, values.keys(), repeat(now_ms), values.values()))
        return Polled(readings, poll.identity, poll.notes)

    async def close(self) -> None:
        self._line.close()
