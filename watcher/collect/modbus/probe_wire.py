"""The wire of a probe: one question at a time, a pause after each, and plain words for whatever goes wrong.

Rule: only Line asks, so only function codes 3 and 4 are ever sent. What is opened to find out why nothing answers says
nothing at all. A silent unit is given up after a few questions in a row, whatever was still to be asked.
"""

from __future__ import annotations

import asyncio
import socket
from collections import Counter
from typing import TypeVar

from watcher.collect.modbus.blocks import Asking, Refused
from watcher.collect.modbus.client import PATIENCE, Line, SilentError
from watcher.collect.modbus.probe_talk import SILENCE

PAUSE_S = 0.02
"""Left after every question: other programs may be on the same bus or gateway."""

SILENT_BEFORE_GIVING_UP = 4

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


class ProbeWire:
    """Conversations over one TCP address.

    timeout_s: for one answer. once: whether a question that is not answered is not asked again, for many units of which
        most are not there
    """

    def __init__(self, host: str, port: int, timeout_s: float, *, once: bool = False) -> None:
        self._host, self._port, self._timeout_s = host, port, timeout_s
        self._once = once
        self.counted: Counter[str] = Counter()
        # A patient question is asked once and waits longer than the others.
        self._line = Line(host, port, timeout_s / PATIENCE if once else timeout_s, self.counted)

    async def open(self) -> None:
        """Find the host. NobodyError where there is none; the connection itself is made with the first question."""
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(2 * self._timeout_s):
                await loop.getaddrinfo(self._host, self._port, type=socket.SOCK_STREAM)
        except TimeoutError:
            raise NobodyError(f"The name {self._host} cannot be looked up: the name server does not answer.") from None
        except OSError:
            raise NobodyError(
                f"There is no such host as {self._host}. Is the name right? An address works too."
            ) from None

    async def converse(self, unit: int, asking: Asking[_T]) -> _T:
        """Carry a conversation to its end. Silence is an answer to it, until there is too much of it: NobodyError."""
        silent = 0
        try:
            span = next(asking)
            while True:
                answer = SILENCE
                try:
                    answer = await self._line.ask(unit, span, patient=self._once)  # type: ignore[assignment]
                    silent = 0
                except SilentError:
                    silent += 1
                    if silent == SILENT_BEFORE_GIVING_UP:
                        raise NobodyError(await self._why_silent(unit)) from None
                except OSError as error:
                    raise NobodyError(await self._why_unconnected(error)) from None
                await asyncio.sleep(PAUSE_S)
                span = asking.send(answer)
        except StopIteration as done:
            value: _T = done.value
            return value
        finally:
            asking.close()

    async def why_silent(self, unit: int) -> str:
        """Why a unit that can be reached says nothing, as far as that can be told."""
        return await self._why_silent(unit)

    async def _why_silent(self, unit: int) -> str:
        self._line.close()
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

    async def _why_unconnected(self, error: OSError) -> str:
        where = f"port {self._port} of {self._host}"
        try:
            async with asyncio.timeout(self._timeout_s):
                _, writer = await asyncio.open_connection(self._host, self._port)
                writer.close()
        except ConnectionRefusedError:
            return (
                f"{where} refuses the connection. Modbus may have to be switched on in the device's menu, the port may "
                "be another, or another program holds the only connection it has."
            )
        except TimeoutError:
            return f"{where} does not answer. Is the device on, and in the same network?"
        except OSError as again:
            return f"{where} cannot be reached: {again.strerror or again}."
        return f"{where} was there only at the second try ({error}). Try again."

    def close(self) -> None:
        self._line.close()


def trouble(refused: Refused) -> str:
    """Why a conversation ended with an exception that asking differently does not mend."""
    return "No answer from it" if refused == SILENCE else refusal(refused.code).capitalize()
