"""The other end of a serial line: pairs of ports, and units whose every byte is in our hand.

Written from the protocol, apart from the code under test.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import struct
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import pytest


def crc(frame: bytes) -> bytes:
    """Bit by bit, as the guide draws it."""
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ 0xA001 if register & 1 else register >> 1
    return struct.pack("<H", register)


def reply(unit: int, function: int, words: Sequence[int]) -> bytes:
    body = struct.pack(f">BBB{len(words)}H", unit, function, 2 * len(words), *words)
    return body + crc(body)


def exception(unit: int, function: int, code: int) -> bytes:
    body = bytes([unit, function | 0x80, code])
    return body + crc(body)


class Asked(NamedTuple):
    unit: int
    function: int
    first: int
    count: int


@contextlib.contextmanager
def pair(folder: Path, names: tuple[str, str] = ("ours", "theirs")) -> Iterator[tuple[str, str]]:
    """Two ports with a wire between them."""
    binary = shutil.which("socat")
    if binary is None:
        message = "socat is not installed"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    ours, theirs = (str(folder / name) for name in names)
    process = subprocess.Popen([binary, f"pty,raw,echo=0,link={ours}", f"pty,raw,echo=0,link={theirs}"])
    try:
        until = time.monotonic() + 10
        while not (os.path.exists(ours) and os.path.exists(theirs)):
            assert time.monotonic() < until, "socat made no ports"
            time.sleep(0.005)
        yield ours, theirs
    finally:
        process.terminate()
        process.wait()


@dataclass
class Units:
    """Units on one line. answer: to each question, bytes and when (seconds from the question) they are sent.

    frames: everything that was asked, as it came. Use as a context manager.
    """

    port: str
    answer: Callable[[Asked], Sequence[tuple[float, bytes]]]
    asked: list[Asked] = field(default_factory=list)
    frames: list[bytes] = field(default_factory=list)

    def __enter__(self) -> Units:
        self._fd = os.open(self.port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._fd)
        self._due: list[tuple[float, bytes]] = []
        self._over = False
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over = True
        self._thread.join()
        os.close(self._fd)

    def _serve(self) -> None:
        os.set_blocking(self._fd, False)
        got = b""
        while not self._over:
            now = time.monotonic()
            for due, sent in sorted(self._due):
                if due <= now:
                    self._due.remove((due, sent))
                    with contextlib.suppress(OSError):
                        os.write(self._fd, sent)
            try:
                got += os.read(self._fd, 256)
            except OSError:  # nothing there, or nobody at the other end
                time.sleep(0.0005)
            while len(got) >= 8:
                frame, got = got[:8], got[8:]
                assert crc(frame[:6]) == frame[6:], frame.hex()
                question = Asked(*struct.unpack(">BBHH", frame[:6]))
                self.frames.append(frame)
                self.asked.append(question)
                self._due += [(time.monotonic() + after, sent) for after, sent in self.answer(question)]
