"""A supervised loop: a turn every so often, on the monotonic clock, restarted whatever it raises or however it hangs.

Rule: liveness is progress, not presence. A turn has a time limit; one that does not keep it is abandoned and tried
again, ever more rarely, and costs no other loop anything. What goes wrong is one line in the log when it begins and
one when it is over; in between it is a number.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence

from watcher.clock import Clock
from watcher.domain.errors import WatcherError
from watcher.health import LoopState, stalled
from watcher.threads import ASKED_BY, LeftBehind

log = logging.getLogger(__name__)

LAST_TURN_S = 20.0
"""How long a stop waits for turns in progress."""

TURN_LIMIT_S = 120.0
"""How long a turn may take unless its loop says otherwise: longer than anything a bus or a service does on purpose."""

CANCEL_S = 5.0
"""How long an abandoned turn has to clean up after itself."""

FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 300.0
"""After a failure the next turn comes this late at least, twice as late each time, up to the longest."""

MOST_LEFT_BEHIND = 3
"""Turns, or threads of theirs, that may hang at once; with so many no further turn is begun."""


class TurnHangs(WatcherError):  # noqa: N818  it says what is so
    """A turn was abandoned at its time limit, or none was begun because earlier ones still hang."""


class Loop:
    """name, every_s: what and how often. turn: one piece of work. blocked: why it may stand still, or "".

    first_s: from the start to the first turn
    limit_s: how long a turn may take, in real time whatever the clock
    patience_s: how long it may be without a sign of life; never less than it takes to abandon a turn and try again
    vital: a sign of life is a turn that came to a good end; otherwise any end will do
    """

    def __init__(
        self,
        name: str,
        every_s: float,
        turn: Callable[[], Awaitable[None]],
        patience_s: float = 300.0,
        first_s: float = 0.0,
        *,
        limit_s: float = TURN_LIMIT_S,
        vital: bool = False,
    ) -> None:
        self.name, self.every_s, self.turn, self.first_s = name, every_s, turn, first_s
        self.limit_s, self.vital = limit_s, vital
        # What fails is tried again later and later, and each try may take its time: that is still a sign of life.
        longest = limit_s + CANCEL_S + (every_s if vital else 2 * max(every_s, LONGEST_WAIT_S))
        self.patience_s = max(patience_s, 3 * every_s, longest)
        self.blocked = ""
        self.asleep = False
        self.turns = self.failures = self.failing = 0
        self.last_error = ""
        self.finished_at: float | None = None
        self.progress_at: float | None = None
        self.left = LeftBehind()
        self._monotonic: Callable[[], float] = lambda: 0.0
        self._kind: type[Exception] | None = None

    async def run(self, clock: Clock, stop: asyncio.Event) -> None:
        """Turn until told to stop. Turns that were missed are left out, not caught up."""
        self._monotonic = clock.monotonic
        self.finished_at = self.progress_at = clock.monotonic()
        due = self.finished_at + self.first_s
        if self.first_s > 0:
            await self._sleep_until(due, clock)
        while not stop.is_set():
            try:
                await self._one_turn()
                self._came_back()
            except Exception as error:  # noqa: BLE001 - one of the three places that catch broadly, and count it
                self._failed(error)
            self.turns += 1
            self.finished_at = clock.monotonic()
            due = max(due + self.every_s, self.finished_at + self._pause_s())
            if not stop.is_set():
                await self._sleep_until(due, clock)

    def progressed(self) -> None:
        """A sign of life from inside a turn that may yet fail."""
        self.progress_at = self._monotonic()

    def state(self, monotonic: float) -> LoopState:
        """As it stands at a moment of the loop's own clock."""
        mark = self.progress_at if self.vital else self.finished_at
        return LoopState(
            name=self.name,
            every_s=self.every_s,
            patience_s=self.patience_s,
            turns=self.turns,
            failures=self.failures,
            failing=self.failing,
            quiet_s=None if mark is None else monotonic - mark,
            blocked=self.blocked,
            error=self.last_error,
            left_behind=self.left.count,
        )

    def alive(self, monotonic: float) -> bool:
        """Whether it has given a sign of life lately or has said what blocks it."""
        return not stalled(self.state(monotonic))

    async def _one_turn(self) -> None:
        """A turn in a task of its own, so that neither a hang nor a stray cancellation in it is ours."""
        if self.left.count >= MOST_LEFT_BEHIND:
            raise TurnHangs(f"{self.left.count} earlier turns still hang, so no further one is begun")
        task = asyncio.create_task(self._counted_turn(), name=self.name)
        try:
            await asyncio.wait({task}, timeout=self.limit_s)
        except asyncio.CancelledError:  # told to stop: the turn has a moment to put things down
            await self._abandon(task)
            raise
        if not task.done():
            self.blocked = ""  # it said so before it hung
            await self._abandon(task)
            raise TurnHangs(f"not done within {self.limit_s:g} s; abandoned, and tried again later")
        if task.cancelled():
            raise TurnHangs("cancelled by something it waited for")
        task.result()

    async def _counted_turn(self) -> None:
        ASKED_BY.set(self.left)
        await self.turn()

    async def _abandon(self, task: asyncio.Task[None]) -> None:
        task.cancel()
        await asyncio.wait({task}, timeout=CANCEL_S)
        if not task.done():
            self.left.more()
            task.add_done_callback(self._came_home)
        elif not task.cancelled():
            task.exception()  # taken note of: it ended on its own terms, and too late

    def _came_home(self, task: asyncio.Task[None]) -> None:
        self.left.fewer()
        if not task.cancelled():
            task.exception()

    def _pause_s(self) -> float:
        return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(self.failing - 1, 10)) if self.failing else 0.0

    async def _sleep_until(self, due: float, clock: Clock) -> None:
        self.asleep = True
        await clock.sleep_until(due)
        self.asleep = False

    def _failed(self, error: Exception) -> None:
        self.failures += 1
        self.failing += 1
        self.last_error = f"{type(error).__name__}: {error}"
        # The same kind of trouble again is a number, not another line; texts differ from one time to the next.
        if type(error) is not self._kind:
            self._kind = type(error)
            traceback = None if isinstance(error, WatcherError) else error
            log.error("loop-down loop=%s error=%s", self.name, self.last_error, exc_info=traceback)

    def _came_back(self) -> None:
        self.progressed()
        if self.failing:
            log.info("loop-up loop=%s failures=%d", self.name, self.failing)
        self.failing, self.last_error, self._kind = 0, "", None


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
