"""Whoever ends us when we no longer make progress: the service manager, or a thread of our own where there is none.

Rule: it is fed only by the daemon's own judgement that all its parts live. An event loop that is held up by a call
that does not return can feed nobody, and that is the point.
"""

from __future__ import annotations

import faulthandler
import os
import sys
import threading
import time
from typing import Protocol

from watcher.sd_notify import notify, watchdog_interval_s

FEED_S = 60.0
GUARD_S = 240.0
"""After so long without being fed the thread ends the process; deploy/pv-watcher.service allows the same."""


class Watchdog(Protocol):
    """every_s: how often it wants to be fed."""

    every_s: float

    def feed(self) -> None: ...


class ServiceManager:
    """Told by datagram (sd_notify)."""

    def __init__(self, every_s: float) -> None:
        self.every_s = min(every_s, FEED_S)

    def feed(self) -> None:
        notify("WATCHDOG=1")


def service_manager() -> ServiceManager | None:
    """The one that watches us; None where none does."""
    interval_s = watchdog_interval_s()
    return None if interval_s is None else ServiceManager(interval_s)


class Guard:
    """A thread that ends the process with exit code 1, and says where everything stood.

    A process that was halted as a whole (a suspended machine, a stopped job) is not taken for one that hangs.
    """

    def __init__(self, limit_s: float = GUARD_S) -> None:
        self.every_s = min(FEED_S, limit_s / 4)
        self._limit_s = limit_s
        self._fed_at = time.monotonic()
        self._over = threading.Event()

    def start(self) -> None:
        self.feed()
        threading.Thread(target=self._watch, name="watchdog", daemon=True).start()

    def feed(self) -> None:
        self._fed_at = time.monotonic()

    def stop(self) -> None:
        self._over.set()

    def _watch(self) -> None:
        step_s = self._limit_s / 8
        before = time.monotonic()
        while not self._over.wait(step_s):
            now = time.monotonic()
            if now - before > 4 * step_s:
                self.feed()
            elif now - self._fed_at > self._limit_s:
                self._end()
            before = now

    def _end(self) -> None:
        text = f"no progress for {self._limit_s:.0f} s: the watcher ends itself so that it can be started anew\n"
        # Not the logger: whoever hangs may hold its lock.
        os.write(sys.stderr.fileno(), text.encode())
        faulthandler.dump_traceback(sys.stderr.fileno())
        os._exit(1)
