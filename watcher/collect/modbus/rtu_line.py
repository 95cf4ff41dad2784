"""Modbus RTU over a serial port, as a line.

Rule: an RTU answer does not say which question it is for. So nothing is asked again blindly; after a time-out, or
anything that does not fit, the line is left quiet for as long as the slowest unit may take, and whatever comes
meanwhile is thrown away and counted. Three answers in a row that do not fit: the port is closed and opened again.

Nothing here runs a driver on the event loop. Every call to the port is made in a thread of its own, one at a time; a
call that does not come back is left behind with its port, which is closed when it does.
"""

from __future__ import annotations

import asyncio
import os
import time
from collections import Counter
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import TypeVar

from watcher.collect.modbus.blocks import Refused, Span
from watcher.collect.modbus.line import BUSY, PATIENCE, TRIES, BusLine, SilentError
from watcher.collect.modbus.registers import Words
from watcher.collect.modbus.rtu import Unfit, frame_gap_s, hear, on_the_wire_s, question
from watcher.collect.modbus.serial_port import BY_ID, SerialPort, stable_name
from watcher.domain.site import SerialSettings
from watcher.threads import LeavableThreads

TIMEOUT_S = 1.0
"""How long a unit may take to begin its answer, beside the time both are on the wire (common practice, no source)."""

UNFIT_IN_A_ROW = 3

DRIVER_S = 5.0
"""How much longer than planned a call may take before the driver counts as hanging."""

_T = TypeVar("_T")


class RtuLine(BusLine):
    """path: of the port, best a name that stays with the adapter. All units on it share its settings."""

    def __init__(
        self,
        path: str,
        settings: SerialSettings,
        *,
        timeout_s: float = TIMEOUT_S,
        by_id: Path = BY_ID,
        opener: Callable[[str, SerialSettings, Path], SerialPort] = SerialPort,
        driver_s: float = DRIVER_S,
    ) -> None:
        """opener: makes the port. driver_s: see DRIVER_S"""
        self.counted: Counter[str] = Counter()
        self.silence_s = timeout_s * PATIENCE + settings.quiet_gap_s
        self._path, self._settings, self._by_id = path, settings, by_id
        self._timeout_s, self._driver_s, self._opener = timeout_s, driver_s, opener
        self._name = path
        self._port: SerialPort | None = None
        self._threads = LeavableThreads(1, "serial", in_order=True)
        self._turn = asyncio.Lock()
        self._quiet_until = 0.0
        self._unfit = 0

    async def ask(self, unit: int, span: Span, *, patient: bool) -> Words | Refused:
        async with self._turn:
            for _ in range(1 if patient else TRIES):
                answer = await self._once(unit, span, self._timeout_s * (PATIENCE if patient else 1))
                if answer is None:
                    raise SilentError("no answer")  # nobody knows how late it may come: not asked again
                if not isinstance(answer, Unfit) and not (isinstance(answer, Refused) and answer.code in BUSY):
                    return answer
            if isinstance(answer, Refused):
                return answer
            raise SilentError(f"no fitting answer: {answer}")

    async def _once(self, unit: int, span: Span, timeout_s: float) -> Words | Refused | Unfit | None:
        """Ask once, on a line that is quiet. None where nothing came."""
        port = await self._opened()
        quiet_until = self._quiet_until
        within_s = timeout_s + on_the_wire_s(self._settings.baud, span.count)
        planned_s = max(0.0, quiet_until - time.monotonic()) + within_s + self._settings.quiet_gap_s
        # Should this be given up half way, the answer is still to come.
        self._quiet_until = time.monotonic() + planned_s
        work = partial(self._exchange, port, question(unit, span), span, quiet_until, within_s)
        try:
            answer, late, echoed = await self._in_thread(work, planned_s)
        except OSError:
            self.counted["broken"] += 1
            self.close()
            raise
        self._note(answer, late, echoed)
        return answer

    def _exchange(
        self, port: SerialPort, asked: bytes, span: Span, quiet_until: float, within_s: float
    ) -> tuple[Words | Refused | Unfit | None, int, bool]:
        """In the thread: quiet, question, answer. The answer, bytes that came late, whether it echoes."""
        latest = max(quiet_until, time.monotonic()) + self._settings.quiet_gap_s
        late, quiet = port.rest(quiet_until, frame_gap_s(self._settings.baud), latest)
        if not quiet:
            return Unfit.GARBLED, late, False  # it never stops talking
        echoed = False

        def heard(got: bytes) -> Words | Refused | Unfit | None:
            nonlocal echoed
            found = hear(got, asked, span)
            echoed = found.echoed
            return found.answer

        answer: Words | Refused | Unfit | None
        answer, got = port.exchange(asked, heard, within_s)
        if answer is None and got and not (echoed and len(got) == len(asked)):
            answer = Unfit.GARBLED
        return answer, late, echoed

    def _note(self, answer: Words | Refused | Unfit | None, late: int, echoed: bool) -> None:
        for kind, how_many in (("late", late), ("echoed", int(echoed))):
            if how_many:
                self.counted[kind] += how_many
        if answer is None:
            self.counted["silent"] += 1
        elif isinstance(answer, Unfit):
            self.counted[answer] += 1
            self._unfit += 1
        elif isinstance(answer, Refused):
            self.counted["refused"] += 1
        if answer is not None and not isinstance(answer, Unfit):
            self._unfit, self._quiet_until = 0, 0.0
        else:
            self._quiet_until = time.monotonic() + self._settings.quiet_gap_s
        if self._unfit >= UNFIT_IN_A_ROW:
            self._unfit = 0
            self.counted["reopened"] += 1
            self.close()

    async def _opened(self) -> SerialPort:
        if self._port is not None:
            return self._port
        opened: list[SerialPort] = []
        threads = self._threads

        def work() -> SerialPort:
            # An adapter that was pulled out may come back under any number; the name of its own leads to it.
            path = self._name if os.path.exists(self._name) else self._path
            opened.append(self._opener(path, self._settings, self._by_id))
            # Where the site file names a link, it says itself what the port is to be found by.
            self._name = self._path if os.path.islink(self._path) else stable_name(path, self._by_id)
            if os.path.realpath(path) != os.path.realpath(self._path):
                self.counted["renamed"] += 1
            return opened[0]

        try:
            self._port = await self._in_thread(work, 0.0)
        except BaseException as error:
            # Given up or not, a port that is opened after all is not kept from others.
            threads.submit(_close, opened)
            if isinstance(error, OSError):
                self.counted["unconnected"] += 1
            raise
        return self._port

    async def _in_thread(self, work: Callable[[], _T], planned_s: float) -> _T:
        try:
            async with asyncio.timeout(planned_s + self._driver_s):
                return await asyncio.get_running_loop().run_in_executor(self._threads, work)
        except TimeoutError:
            self.counted["hanging"] += 1
            self.close()
            self._threads = LeavableThreads(1, "serial", in_order=True)
            raise OSError(
                "the driver of the serial port does not come back; unplug the adapter and plug it in"
            ) from None

    def close(self) -> None:
        """Let go of the port, in its thread: a driver may take its time over that too."""
        if self._port is not None:
            self._threads.submit(self._port.close)
            self._port = None


def _close(ports: Iterable[SerialPort]) -> None:
    for port in ports:
        port.close()
