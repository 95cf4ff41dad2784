"""Threads that may be left behind: for calls into libraries and drivers that can hang and cannot be cancelled.

Rule: who gives up waiting is free at once; the thread stays until its call comes back, is counted where it was asked
for, and never keeps the process from ending.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextvars import ContextVar
from typing import Any, ParamSpec, TypeVar

_P = ParamSpec("_P")
_T = TypeVar("_T")

LAST_WAIT_S = 5.0
"""How long a shutdown waits for calls that somebody still waits for."""


class LeftBehind:
    """How many calls of one origin are still under way though nobody waits for them any more."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._count = 0

    @property
    def count(self) -> int:
        return self._count

    def more(self) -> None:
        with self._lock:
            self._count += 1

    def fewer(self) -> None:
        with self._lock:
            self._count -= 1


ASKED_BY: ContextVar[LeftBehind | None] = ContextVar("ASKED_BY", default=None)
"""Whom a call counts with should it be left behind: a loop sets this for its turn."""


class _Call(Future[Any]):
    """A call whose cancellation, where it comes too late to prevent it, leaves it behind."""

    def __init__(self, pool: LeavableThreads, work: Callable[[], Any]) -> None:
        super().__init__()
        self.work, self.origin, self.left = work, ASKED_BY.get(), False
        self._pool = pool

    def cancel(self) -> bool:
        if super().cancel():
            return True
        self._pool.leave(self)
        return False


class LeavableThreads(ThreadPoolExecutor):
    """A pool for asyncio.to_thread and run_in_executor. The threads are its own: each ends with the calls that wait.

    at_once: calls under way at a time; those left behind do not count
    in_order: they do count, so that with at_once = 1 no call ever overlaps the one before it
    """

    def __init__(self, at_once: int, name: str, *, in_order: bool = False) -> None:
        super().__init__(max_workers=at_once, thread_name_prefix=name)  # asyncio accepts nothing else
        self._at_once, self._name, self._in_order = at_once, name, in_order
        self._waiting: deque[_Call] = deque()
        self._working: set[_Call] = set()
        self._change = threading.Condition()
        self._over = False

    def submit(self, fn: Callable[_P, _T], /, *args: _P.args, **kwargs: _P.kwargs) -> Future[_T]:
        call = _Call(self, lambda: fn(*args, **kwargs))
        with self._change:
            if self._over:
                raise RuntimeError(f"{self._name}: no more calls after the shutdown")
            self._waiting.append(call)
            self._start()
        return call

    @property
    def idle(self) -> bool:
        """Whether no call is under way, not even one left behind."""
        with self._change:
            return not self._working

    def leave(self, call: _Call) -> None:
        """Nobody waits for a call any more that is under way."""
        with self._change:
            if call not in self._working or call.left:
                return
            call.left = True
            if call.origin is not None:
                call.origin.more()
            self._start()
            self._change.notify_all()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more calls. Waits for those that somebody waits for, a few seconds at most."""
        with self._change:
            self._over = True
            if cancel_futures:
                while self._waiting:
                    self._waiting.popleft().cancel()
            if wait:
                self._change.wait_for(lambda: not self._waiting and all(c.left for c in self._working), LAST_WAIT_S)

    def _start(self) -> None:
        """A thread for the next call, where one more may be under way. The lock is held."""
        busy = len(self._working) if self._in_order else sum(not call.left for call in self._working)
        while self._waiting and busy < self._at_once:
            call = self._waiting.popleft()
            if call.set_running_or_notify_cancel():
                self._working.add(call)
                busy += 1
                threading.Thread(target=self._carry_out, args=(call,), name=self._name, daemon=True).start()

    def _carry_out(self, call: _Call) -> None:
        result, error = None, None
        try:
            result = call.work()
        except BaseException as raised:  # noqa: BLE001 - it belongs to whoever waits for the call
            error = raised
        with self._change:
            self._working.discard(call)
            if call.left and call.origin is not None:
                call.origin.fewer()
            self._start()
            self._change.notify_all()
        if error is not None:
            call.set_exception(error)
        else:
            call.set_result(result)
