"""Calendar work, by APScheduler: the store's upkeep at night.

The scheduler follows the wall clock throughout. A wall clock that steps back would leave it waiting for the old time,
one that steps far ahead would have it list every run it missed; so a watcher compares the wall clock with the
monotonic one and gives every job a fresh trigger after a step. Nothing that reads or judges hangs on this.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from datetime import date
from datetime import time as time_of_day

from apscheduler.schedulers.asyncio import AsyncIOScheduler

from watcher.clock import SystemClock
from watcher.daily import Daily
from watcher.domain.instant import from_ms

log = logging.getLogger(__name__)

STEP_S = 2.0
"""A difference between the clocks beyond this is a step, not drift."""

WATCH_S = 1.0


def _offset() -> float:
    return time.time() - time.monotonic()  # noqa: TID251 - the difference is the point


class Nightly:
    """Runs one piece of work each night at 03:20 of the machine's zone, once whatever the clock does."""

    def __init__(self, work: Callable[[], Awaitable[None]]) -> None:
        self._work = work
        self._done: set[date] = set()
        self._scheduler = AsyncIOScheduler()
        self._watch: asyncio.Task[None] | None = None

    def start(self) -> None:
        self._scheduler.add_job(
            self._once, self._trigger(), id="upkeep", coalesce=True, misfire_grace_time=None, max_instances=1
        )
        self._scheduler.start()
        self._watch = asyncio.create_task(self._mind_the_clock())

    def stop(self) -> None:
        if self._watch is not None:
            self._watch.cancel()
        self._scheduler.shutdown(wait=False)

    def lives(self) -> bool:
        """Whether it still waits for the night: neither the scheduler nor the look at the clock has ended."""
        waiting = self._scheduler.running and self._scheduler.get_job("upkeep") is not None
        return waiting and self._watch is not None and not self._watch.done()

    def next_run(self) -> str:
        """When the work runs next, as text."""
        return str(self._scheduler.get_job("upkeep").next_run_time)

    async def _mind_the_clock(self, offset: Callable[[], float] = _offset) -> None:
        before = offset()
        while True:
            await asyncio.sleep(WATCH_S)
            now = offset()
            if abs(now - before) > STEP_S:
                log.warning("clock-stepped seconds=%.0f", now - before)
                self.reschedule()
                before = now

    def reschedule(self) -> None:
        """Give the job a fresh trigger, reckoned from the clock as it is now."""
        self._scheduler.pause()
        self._scheduler.get_job("upkeep").reschedule(self._trigger())
        self._scheduler.resume()

    async def _once(self) -> None:
        self._done.add(from_ms(SystemClock().now_ms()).astimezone(self._scheduler.timezone).date())
        await self._work()

    def _trigger(self) -> Daily:
        return Daily(time_of_day(3, 20), self._scheduler.timezone, self._done)
