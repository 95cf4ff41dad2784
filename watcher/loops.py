"""A supervised loop: a turn every so often, on the monotonic clock, restarted whatever it raises.

Rule: liveness is progress, not presence. A loop that has not finished a turn within its patience, and has not said
what blocks it, starves the watchdog.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence

from watcher.clock import Clock

log = logging.getLogger(__name__)

LAST_TURN_S = 30.0
"""How long a stop waits for turns in progress."""


class Loop:
    """name, every_s: what and how often. turn: one piece of work. blocked: why it may stand still, or "".

    first_s: from the start to the first turn
    """

    def __init__(
        self,
        name: str,
        every_s: float,
        turn: Callable[[], Awaitable[None]],
        patience_s: float = 300.0,
        first_s: float = 0.0,
    ) -> None:
        self.name, self.every_s, self.turn, self.first_s = name, every_s, turn, first_s
        self.patience_s = max(patience_s, 3 * every_s)
        self.blocked = ""
        self.asleep = False
        self.turns = self.failures = 0
        self.last_error = ""
        self.finished_at: float | None = None

    async def run(self, clock: Clock, stop: asyncio.Event) -> None:
        """Turn until told to stop. Turns that were missed are left out, not caught up."""
        self.finished_at = clock.monotonic()
        due = self.finished_at + self.first_s
        if self.first_s > 0:
            await self._sleep_until(due, clock)
        while not stop.is_set():
            try:
                await self.turn()
                self._came_back()
            except Exception as error:  # noqa: BLE001 - one of the three places that catch broadly, and count it
                self._failed(error)
            self.turns += 1
            self.finished_at = clock.monotonic()
            due = max(due + self.every_s, self.finished_at)
            if not stop.is_set():
                await self._sleep_until(due, clock)

    async def _sleep_until(self, due: float, clock: Clock) -> None:
        self.asleep = True
        await clock.sleep_until(due)
        self.asleep = False

    def alive(self, monotonic: float) -> bool:
        """Whether it has finished a turn lately or has said what blocks it."""
        return bool(self.blocked) or self.finished_at is None or monotonic - self.finished_at <= self.patience_s

    def _failed(self, error: Exception) -> None:
        self.failures += 1
        text = f"{type(error).__name__}: {error}"
        if text != self.last_error:  # the same trouble again is a number, not another line
            self.last_error = text
            log.error("loop-failed loop=%s error=%s", self.name, text, exc_info=error)

    def _came_back(self) -> None:
        if self.last_error:
            self.last_error = ""
            log.info("loop-recovered loop=%s failures=%d", self.name, self.failures)


async def run_all(loops: Sequence[Loop], clock: Clock, stop: asyncio.Event) -> None:
    """Run loops side by side until told to stop; whatever sleeps then is woken, whatever works finishes its turn."""

    async def one(loop: Loop) -> None:
        try:
            await loop.run(clock, stop)
        finally:
            clock.leave()

    for _ in loops:
        clock.join()
    tasks = {loop: asyncio.create_task(one(loop), name=loop.name) for loop in loops}
    await stop.wait()
    for loop, task in tasks.items():
        if loop.asleep:
            task.cancel()
    _, working = await asyncio.wait(tasks.values(), timeout=LAST_TURN_S)
    for task in working:
        log.warning("loop-abandoned loop=%s", task.get_name())
        task.cancel()
    await asyncio.gather(*tasks.values(), return_exceptions=True)
