"""The other end of the wire: real Modbus TCP servers, a proxy that remembers every request, and a tape without a wire.

Written from the protocol, apart from the code under test: nothing of watcher/ but the conversation's types is used.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

from watcher.collect.modbus.blocks import Asking, Refused, Span

T = TypeVar("T")


class Question(NamedTuple):
    """One request as it came over the wire."""

    transaction: int
    unit: int
    function: int
    first: int
    count: int


Answer = list[int] | int | bytes | None
"""Registers; an exception code; a whole frame to be sent as it stands; or silence."""


def frame(transaction: int, unit: int, function: int, words: Sequence[int]) -> bytes:
    body = struct.pack(f">BBB{len(words)}H", unit, function, 2 * len(words), *words)
    return struct.pack(">HHH", transaction, 0, len(body)) + body


async def read_frame(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readexactly(6)
    return head + await reader.readexactly(int.from_bytes(head[4:6], "big"))


async def closed(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()


@dataclass
class Server:
    """A Modbus TCP server whose answers are a function of the question. Use as an async context manager."""

    answer: Callable[[Question], Answer | Awaitable[Answer]]
    port: int = 0
    asked: list[Question] = field(default_factory=list)
    connections: int = 0
    byte_by_byte: bool = False

    async def __aenter__(self) -> Server:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        self._open: set[asyncio.Task[None]] = set()
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        await self.drop()
        await self._server.wait_closed()

    async def drop(self) -> None:
        """Close every connection, and wait until that is done."""
        for task in self._open:
            task.cancel()
        await asyncio.gather(*self._open, return_exceptions=True)

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        assert task is not None
        self._open.add(task)
        try:
            while True:
                request = await read_frame(reader)
                question = Question(*struct.unpack(">H4xBBHH", request[:12]))
                self.asked.append(question)
                answer = self.answer(question)
                if isinstance(answer, Awaitable):
                    answer = await answer
                if isinstance(answer, int):
                    answer = struct.pack(">HHHBBB", question[0], 0, 3, question.unit, question.function | 128, answer)
                elif isinstance(answer, list):
                    answer = frame(*question[:3], answer)
                reply = answer or b""
                step = 1 if self.byte_by_byte else max(1, len(reply))
                for start in range(0, len(reply), step):
                    if start:
                        await asyncio.sleep(0.001)
                    writer.write(reply[start : start + step])
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass
        finally:
            await closed(writer)
            self._open.discard(task)


@dataclass
class Recorder:
    """A TCP proxy that keeps every request; frozen, it swallows everything without closing anything."""

    to_port: int
    port: int = 0
    requests: list[bytes] = field(default_factory=list)
    connections: int = 0
    frozen: bool = False

    async def __aenter__(self) -> Recorder:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        self._tasks: set[asyncio.Task[None]] = set()
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def functions(self) -> set[int]:
        return {request[7] for request in self.requests}

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        back = None
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.to_port)
            back = asyncio.create_task(self._back(far_reader, writer))
            self._tasks.add(back)
            while True:
                request = await read_frame(reader)
                self.requests.append(request)
                if not self.frozen:
                    far_writer.write(request)
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass
        finally:
            if back:
                back.cancel()
                await closed(far_writer)
            await closed(writer)
            self._tasks.discard(task)

    async def _back(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(4096):
            if not self.frozen:
                writer.write(data)


def hold(registers: Mapping[int, int]) -> Callable[[Question], Answer]:
    """Answers of a device that holds these registers and says exception 2 to any other."""

    def answer(question: Question) -> Answer:
        asked = range(question.first, question.first + question.count)
        return [registers[address] for address in asked] if all(a in registers for a in asked) else 2

    return answer


def at(first: int, words: Sequence[int]) -> dict[int, int]:
    return dict(enumerate(words, first))


def words(text: str) -> list[int]:
    """Registers from hex, blanks and line ends ignored."""
    return list(struct.unpack(f">{len(bytes.fromhex(text)) // 2}H", bytes.fromhex(text)))


def play(asking: Asking[T], registers: Mapping[int, int] | Callable[[Question], Answer]) -> tuple[T, list[Span]]:
    """Carry a conversation to its end without a wire; its result, and everything it asked for."""
    answer = registers if callable(registers) else hold(registers)
    asked: list[Span] = []
    try:
        span = next(asking)
        while True:
            asked.append(span)
            got = answer(Question(0, 1, int(span.table), span.first, span.count))
            assert isinstance(got, list | int)
            assert not isinstance(got, bool)
            span = asking.send(Refused(got) if isinstance(got, int) else got)
    except StopIteration as done:
        return done.value, asked


def sunspec(*models: Sequence[int], base: int = 40000) -> dict[int, int]:
    """The registers of a map: marker, a common model that says nothing, the given models, end."""
    common = [1, 66, *[0] * 66]
    return at(base, [0x5375, 0x6E53, *common, *(word for model in models for word in model), 0xFFFF, 0])


INVERTER_32 = words(
    "0067 0032 10E0 05A0 059E 05A2 FFFE 104D 1051 1054 096C 0968 096F FFFF 0410 0001"
    "1386 FFFE 28B2 0000 FD9C 0000 26FF FFFE 02B9 0135 0000 FFFF 8000 FFFF 8000 0430"
)
"""The first 32 registers of a three-phase inverter, running; reference-values.md 2.7, block A."""

INVERTER_A1 = words(
    "0065 0032"
    "0523 0523 FFFF FFFF FFFE FFFF FFFF FFFF 0966 FFFF FFFF FFFF"
    "0C56 0000 1386 FFFE 8000 8000 8000 8000 8000 8000 00C3 5A10"
    "0000 FFFF 8000 FFFF 8000 0CC4 0000 01A4 8000 8000 8000 FFFF"
    "0004 FFFF 0000 0000 FFFF FFFF FFFF FFFF FFFF FFFF FFFF FFFF FFFF FFFF"
)
"""A single-phase inverter full of "not here" codes; field case A1 with its two header registers."""
