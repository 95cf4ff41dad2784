"""The wire of a probe: one question at a time, a pause after each, and plain words for whatever goes wrong.

Rule: only a Line asks, so only function codes 3 and 4 are ever sent. What is opened to find out why nothing answers
says nothing at all. A silent unit is given up after a few questions in a row, whatever was still to be asked.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import replace
from typing import Protocol, TypeVar

from watcher.collect.modbus.blocks import Asking, Refused
from watcher.collect.modbus.client import Line
from watcher.collect.modbus.host_names import HostName
from watcher.collect.modbus.line import PATIENCE, BusLine, SilentError
from watcher.collect.modbus.probe_talk import SILENCE
from watcher.collect.modbus.registers import Words
from watcher.collect.modbus.rtu_line import RtuLine
from watcher.domain.site import SerialSettings

PAUSE_S = 0.02
"""Left after every question: other programs may be on the same bus or gateway."""

SILENT_BEFORE_GIVING_UP = 4

HUNT_GAP_S = 0.2
"""How long a serial line is left quiet after a unit that is not there, while many are looked for."""

EXCEPTIONS = {
    1: "it does not know this function",
    2: "it has no such register",
    3: "it does not give so many registers, or not from there",
    4: "it failed while answering",
    5: "it has taken the question and needs time",
    6: "it is busy; try again in a minute",
    8: "its memory is damaged",
    10: "the gateway has no way to it",
    11: "the gateway asked it and got no answer",
}
"""Modbus exception codes in words (Modbus application protocol)."""

_T = TypeVar("_T")


class NobodyError(Exception):
    """Nothing came back. The text says what, as a sentence for a person at the device."""


def refusal(code: int) -> str:
    """An exception code in words."""
    return f"exception {code}: {EXCEPTIONS.get(code, 'a code the protocol does not know')}"


def trouble(refused: Refused) -> str:
    """Why a conversation ended with an exception that asking differently does not mend."""
    return "No answer from it" if refused == SILENCE else refusal(refused.code).capitalize()


class Reach(Protocol):
    """The way to a line, and why it is barred."""

    async def find(self) -> None:
        """NobodyError where there is no such place at all."""
        ...

    async def why_silent(self, unit: int) -> str:
        """Why a unit that can be reached says nothing, as far as that can be told."""
        ...

    async def why_barred(self, error: OSError) -> str:
        """Why there is no connection."""
        ...


class ProbeWire:
    """Conversations over one line. once: whether a question that is not answered is not asked again."""

    def __init__(self, line: BusLine, reach: Reach, *, once: bool = False) -> None:
        self._line, self._reach, self._once = line, reach, once

    async def open(self) -> None:
        """Find the other end; the connection is made with the first question. NobodyError where there is none."""
        await self._reach.find()

    async def converse(self, unit: int, asking: Asking[_T]) -> _T:
        """Carry a conversation to its end. Silence is an answer to it, until there is too much of it: NobodyError."""
        silent = 0
        try:
            span = next(asking)
            while True:
                answer: Words | Refused = SILENCE
                try:
                    answer = await self._line.ask(unit, span, patient=self._once)
                    silent = 0
                except SilentError:
                    silent += 1
                    if silent == SILENT_BEFORE_GIVING_UP:
                        raise NobodyError(await self.why_silent(unit)) from None
                except OSError as error:
                    raise NobodyError(await self._reach.why_barred(error)) from None
                await asyncio.sleep(PAUSE_S)
                span = asking.send(answer)
        except StopIteration as done:
            value: _T = done.value
            return value
        finally:
            asking.close()

    async def why_silent(self, unit: int) -> str:
        self._line.close()
        return await self._reach.why_silent(unit)

    def close(self) -> None:
        self._line.close()


class TcpReach:
    """A host and a port. timeout_s: for one answer; looking a name up is given twice as long."""

    def __init__(self, host: str, port: int, timeout_s: float) -> None:
        self._host, self._port, self._timeout_s = host, port, timeout_s

    async def find(self) -> None:
        try:
            await HostName(self._host, self._port).addresses(2 * self._timeout_s)
        except OSError as error:
            raise NobodyError(_sentence(f"{error}; a number such as 192.168.1.20 works too")) from None

    async def why_silent(self, unit: int) -> str:
        if await self._hangs_up():
            return (
                f"{self._host} takes the connection and hangs up at once. Many devices serve one program at a time: "
                "is the watcher, an app or a logger connected to it? Stop that one and try again."
            )
        return (
            f"{self._host} takes the connection, and unit {unit} says nothing. Is the unit id right (--unit 1-247 asks "
            "all), is it awake, and is no other program connected to it?"
        )

    async def _hangs_up(self) -> bool:
        """Whether a connection that asks nothing is closed at once by the other side."""
        try:
            async with asyncio.timeout(self._timeout_s):
                reader, writer = await asyncio.open_connection(self._host, self._port)
                try:
                    return await reader.read(1) == b""
                finally:
                    writer.close()
        except (TimeoutError, OSError):
            return False

    async def why_barred(self, error: OSError) -> str:
        where = f"port {self._port} of {self._host}"
        try:
            async with asyncio.timeout(self._timeout_s):
                _, writer = await asyncio.open_connection(self._host, self._port)
                writer.close()
        except ConnectionRefusedError:
            return (
                f"Refused by {where}. Modbus may have to be switched on in the device's menu, the port may "
                "be another, or another program holds the only connection it has."
            )
        except TimeoutError:
            return f"Nothing answers at {where}. Is the device on, and in the same network?"
        except OSError as again:
            return f"There is no way to {where}: {again.strerror or again}."
        return f"There was no connection to {where} at first, and then there was ({error}). Try again."


def tcp_wire(host: str, port: int, timeout_s: float, *, once: bool = False) -> ProbeWire:
    """once: for many units of which most are not there: one question each, without a second try."""
    # A patient question is asked once and waits longer than the others.
    line = Line(host, port, timeout_s / PATIENCE if once else timeout_s, Counter())
    return ProbeWire(line, TcpReach(host, port, timeout_s), once=once)


class SerialReach:
    """A serial port and what all on it agree on. The line itself says in words why a port cannot be had."""

    def __init__(self, path: str, settings: SerialSettings) -> None:
        self._path, self._settings = path, settings

    async def find(self) -> None:
        return None

    async def why_silent(self, unit: int) -> str:
        line = f"{self._settings.baud} baud, parity {self._settings.parity}, stop bits {self._settings.stop_bits}"
        return (
            f"Unit {unit} says nothing on {self._path} at {line}. Is that what the device's own menu says, is the unit "
            "id right (--unit 1-247 asks all), and is it awake? Nothing is heard, either, where the two wires of the "
            "line are swapped; that is for the competent to look at, see below."
        )

    async def why_barred(self, error: OSError) -> str:
        return _sentence(str(error))


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}".rstrip(".") + "."


def serial_wire(path: str, settings: SerialSettings, timeout_s: float, *, once: bool = False) -> ProbeWire:
    """once: as for tcp_wire. A late answer is known by its unit then, and the line need not stay quiet for long."""
    kept = replace(settings, quiet_gap_s=min(settings.quiet_gap_s, HUNT_GAP_S)) if once else settings
    line = RtuLine(path, kept, timeout_s=timeout_s / PATIENCE if once else timeout_s)
    return ProbeWire(line, SerialReach(path, settings), once=once)
