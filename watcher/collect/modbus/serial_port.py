"""A serial port, opened for ourselves alone: bytes out, bytes in, silence.

Rule: every call may block, for as long as a driver likes: only rtu_line.py calls them, in a thread that may be left
behind. Why a port cannot be had is said in words that help whoever stands before it. Linux only.
"""

from __future__ import annotations

import errno
import fcntl
import grp
import os
import select
import struct
import termios
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from watcher.domain.site import Parity, SerialSettings

BY_ID = Path("/dev/serial/by-id")
"""Where the system keeps names of adapters that stay the same whatever port they are in."""

_TIOCGEXCL = 0x80045440
"""Asks whether somebody has the port for themselves (linux/tty; the termios module does not name it)."""

_PARITY = {Parity.NONE: 0, Parity.EVEN: termios.PARENB, Parity.ODD: termios.PARENB | termios.PARODD}
_CHUNK = 4096

_FINE_S = 0.01

_FINE_S = 0.01

_T = TypeVar("_T")


class SerialPort:
    """An open port. path: what was opened"""

    def __init__(self, path: str, settings: SerialSettings, by_id: Path = BY_ID) -> None:
        """OSError in words; PermissionError where only a person can help. by_id: see BY_ID"""
        self.path = path
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise _in_words(error, path, by_id) from None
        try:
            if not os.isatty(self._fd):
                raise OSError(errno.ENOTTY, "it is no serial port")
            self._take()
            _set_line(self._fd, settings)
        except termios.error as error:
            os.close(self._fd)
            raise OSError(f"{path} does not take the line settings: {error.args[-1]}") from None
        except OSError as error:
            os.close(self._fd)
            raise _in_words(error, path, by_id) from None
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._heard_at = time.monotonic()

    def _take(self) -> None:
        """Against those who ask politely, and those who do not; root could open it in spite of the latter."""
        fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        taken = struct.unpack("i", fcntl.ioctl(self._fd, _TIOCGEXCL, b"\0\0\0\0"))[0]
        if taken:
            raise OSError(errno.EBUSY, "in use")
        fcntl.ioctl(self._fd, termios.TIOCEXCL)

    def rest(self, until: float, silence_s: float, latest: float) -> tuple[int, bool]:
        """Throw away what comes until a moment (monotonic), and for as long as the line is not silent for silence_s.

        Returns how many bytes that were, and whether the line fell silent before the latest moment to wait until.
        """
        lost = 0
        while True:
            now = time.monotonic()
            left = max(until, self._heard_at + silence_s) - now
            if left > 0 and now > latest:
                return lost, False
            if 0 < left < _FINE_S:
                time.sleep(left)  # a poll knows whole milliseconds only
                left = 0.0
            got = self._read(max(0.0, left))
            if not got and left <= 0:
                return lost, True
            lost += len(got)

    def exchange(self, question: bytes, hear: Callable[[bytes], _T | None], within_s: float) -> tuple[_T | None, bytes]:
        """Send, and collect until hear makes something of it; None, with what came, where nothing does in time."""
        self._write(question)
        got, until = b"", time.monotonic() + within_s
        while (left := until - time.monotonic()) > 0:
            got += self._read(left)
            if (heard := hear(got)) is not None:
                return heard, got
        return None, got

    def _write(self, question: bytes) -> None:
        rest = question
        while rest:
            try:
                rest = rest[os.write(self._fd, rest) :]
            except BlockingIOError:
                raise OSError(f"{self.path} takes nothing more to send") from None

    def _read(self, within_s: float) -> bytes:
        """What is there, or b"" after a while. OSError where the adapter is gone."""
        for _, events in self._poll.poll(within_s * 1000):
            with suppress(BlockingIOError):
                if got := os.read(self._fd, _CHUNK):
                    self._heard_at = time.monotonic()
                    return got
            if events & (select.POLLHUP | select.POLLERR | select.POLLNVAL):
                raise OSError(f"{self.path} went away: is the adapter still plugged in?")
        return b""

    def close(self) -> None:
        # What waits to be sent would hold a close up for half a minute.
        with suppress(OSError, termios.error):
            termios.tcflush(self._fd, termios.TCIOFLUSH)
        with suppress(OSError):
            fcntl.ioctl(self._fd, termios.TIOCNXCL)
        with suppress(OSError):
            os.close(self._fd)


def _set_line(fd: int, settings: SerialSettings) -> None:
    """Raw bytes, no echo, no flow control, modem lines ignored."""
    speed = getattr(termios, f"B{settings.baud}")
    control = termios.CS8 | termios.CREAD | termios.CLOCAL | _PARITY[settings.parity]
    control |= termios.CSTOPB if settings.stop_bits == 2 else 0
    _, _, _, _, _, _, characters = termios.tcgetattr(fd)
    # What arrives with a wrong parity is left out, so that the frame is short and its check sum wrong.
    incoming = termios.INPCK | termios.IGNPAR if settings.parity is not Parity.NONE else 0
    termios.tcsetattr(fd, termios.TCSANOW, [incoming, 0, control, 0, speed, speed, characters])
    termios.tcflush(fd, termios.TCIOFLUSH)


def stable_name(path: str, by_id: Path = BY_ID) -> str:
    """The name an adapter keeps wherever it is plugged in; the path itself where it has none."""
    target = os.path.realpath(path)
    with suppress(OSError):
        for link in sorted(by_id.iterdir()):
            if os.path.realpath(link) == target:
                return str(link)
    return path


def _in_words(error: OSError, path: str, by_id: Path) -> OSError:
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return FileNotFoundError(f"there is no serial port {path}: is the adapter plugged in? {_there_are(by_id)}")
    if error.errno in (errno.EACCES, errno.EPERM):
        return PermissionError(f"not allowed to open {path}: the user we run as must be in the group {_group(path)}")
    if error.errno in (errno.EBUSY, errno.EAGAIN):
        return OSError(f"another program has {path} open; a serial line serves one program: stop that one")
    return OSError(f"{path} cannot be opened: {error.strerror or error}")


def _there_are(by_id: Path) -> str:
    try:
        names = sorted(str(one) for one in by_id.iterdir())
    except OSError:
        names = []
    return f"There are: {', '.join(names)}" if names else "There is no adapter at all"


def _group(path: str) -> str:
    try:
        return grp.getgrgid(os.stat(path).st_gid).gr_name
    except (OSError, KeyError):
        return "dialout"
