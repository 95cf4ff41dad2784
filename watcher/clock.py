"""Clocks. The only module that asks what time it is.

Rule: waiting is measured on the monotonic clock, so a step of the wall clock neither hurries nor stalls a loop.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import time
from collections.abc import Awaitable, Callable
from typing import Protocol


class Clock(Protocol):
    """Wall clock and waiting, for the daemon's loops."""

    def now_ms(self) -> int:
        """The wall clock: milliseconds since 1970 UTC."""
        ...

    def monotonic(self) -> float:
        """Seconds that never jump."""
        ...

    def trusted(self) -> bool:
        """Whether the wall clock may be used to date a reading."""
        ...

    async def sleep_until(self, monotonic: float) -> None:
        """Wait until the monotonic clock has reached this many seconds."""
        ...

    def join(self) -> None:
        """A loop begins: from now on it is either working or in sleep_until."""
        ...

    def leave(self) -> None:
        """That loop has ended."""
        ...


WRITTEN_MS = 1_767_225_600_000
"""The start of 2026: no machine ran this program before it was written."""

SLOWING = 0.1
"""By how much our time runs slower than the clock after that was set back, until both agree again."""

LARGEST_STEP_BACK_MS = 600_000
"""A clock that was set back further was badly wrong before or is now: not trusted until both agree again."""


class SystemClock:
    """The machine's own clock; trusted once it was set and is later than all we know to be past.

    Set forward, our time follows at once. Set back, it runs slower until it agrees: it never stands still or goes back,
    so two turns of a loop never get the same stamp.
    """

    def __init__(
        self,
        not_before_ms: int = 0,
        synchronised: Callable[[], bool] = lambda: True,
        wall_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """not_before_ms: the newest stored reading. synchronised: whether the time of day has been put right"""
        self.not_before_ms = max(not_before_ms, WRITTEN_MS)
        self._synchronised, self._wall_ms, self._monotonic = synchronised, wall_ms, monotonic
        self._asked = monotonic()
        self._offset_ms = self._ahead_ms = 0.0
        self._offset_ms = wall_ms() - self._asked * 1000

    def now_ms(self) -> int:
        """The wall clock, or our time while that is ahead of it."""
        wall_ms, asked = self._wall_ms(), self._monotonic()
        offset_ms = wall_ms - asked * 1000
        slowed_ms = self._offset_ms - SLOWING * max(0.0, asked - self._asked) * 1000
        self._asked, self._offset_ms = asked, max(offset_ms, slowed_ms)
        self._ahead_ms = self._offset_ms - offset_ms
        return wall_ms + round(self._ahead_ms)

    def monotonic(self) -> float:
        return self._monotonic()

    def trusted(self) -> bool:
        now_ms = self.now_ms()
        return now_ms >= self.not_before_ms and self._ahead_ms <= LARGEST_STEP_BACK_MS and self._synchronised()

    async def sleep_until(self, monotonic: float) -> None:
        await asyncio.sleep(max(0.0, monotonic - time.monotonic()))

    def join(self) -> None:
        pass

    def leave(self) -> None:
        pass


class SteppedClock:
    """A clock that stands still while anything works and jumps to the earliest sleeper once everything waits.

    Sleepers wake one at a time, earliest first and in the order they lay down, so a run has the same order of
    events each time. before_step is awaited with the new time before anyone wakes: a simulated world is told
    there what time it is. Days of minute polls over real sockets pass in seconds.
    """

    def __init__(self, start_ms: int, before_step: Callable[[int], Awaitable[None]] | None = None) -> None:
        self._start_ms = start_ms
        self._elapsed = 0.0
        self._before_step = before_step
        self._members = 0
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()
        self._step: asyncio.Task[None] | None = None

    def now_ms(self) -> int:
        return self._start_ms + round(self._elapsed * 1000)

    def monotonic(self) -> float:
        return self._elapsed

    def trusted(self) -> bool:
        return True

    async def sleep_until(self, monotonic: float) -> None:
        woken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        entry = (max(monotonic, self._elapsed), next(self._order), woken)
        heapq.heappush(self._sleepers, entry)
        self._step_if_all_wait()
        try:
            await woken
        finally:
            if entry in self._sleepers:  # cancelled while asleep
                self._sleepers.remove(entry)
                heapq.heapify(self._sleepers)

    def join(self) -> None:
        self._members += 1

    def leave(self) -> None:
        self._members -= 1
        self._step_if_all_wait()

    def _step_if_all_wait(self) -> None:
        if self._sleepers and len(self._sleepers) >= self._members and self._step is None:
            self._step = asyncio.get_running_loop().create_task(self._jump())

    async def _jump(self) -> None:
        try:
            if not self._sleepers or len(self._sleepers) < self._members:
                return
            at = self._sleepers[0][0]
            if self._before_step is not None and at > self._elapsed:
                await self._before_step(self._start_ms + round(at * 1000))
            self._elapsed = at
            if self._sleepers:
                _, _, woken = heapq.heappop(self._sleepers)
                if not woken.done():
                    woken.set_result(None)
        finally:
            self._step = None
