"""Carries readings from the spool to their server, turn by turn, beside everything else.

Rule: a server that is away is no failure of ours: it is said once, what waits is counted, and nothing else stops. What
would lose readings there without anyone noticing is looked for when it first answers and once a day, and told.
"""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Sequence
from typing import Protocol

from watcher.domain.errors import Problem, StoreError
from watcher.domain.instant import DAY_MS
from watcher.store.trouble import StoreDamaged

log = logging.getLogger(__name__)

STORE_DOWN = "store-down"
_BATCHES_A_TURN = 100
"""Then the loop has its turn, so that it is seen to be alive and can be stopped."""


class Sent(Protocol):
    """What a turn came to, in rows."""

    @property
    def again(self) -> int: ...
    @property
    def refused(self) -> int: ...
    @property
    def conflicting(self) -> int: ...
    @property
    def more(self) -> bool: ...


class Spooled(Protocol):
    """A store with a spool."""

    def send_some(self, now_ms: int) -> Sent: ...

    def waiting(self) -> int: ...

    def setup_problems(self) -> list[Problem]: ...


class Sending:
    """One sender of one store. turn and problems may be called from different threads.

    waiting: rows in the spool at the end of the last turn. counted: what the server lost or refused so far, by kind
    """

    def __init__(self, store: Spooled) -> None:
        self._store = store
        self.waiting = 0
        self.counted: Counter[str] = Counter()
        self._down = False
        self._checked_ms: int | None = None
        self._told: list[str] = []
        self._problems: list[Problem] = []
        self._lock = threading.Lock()

    def turn(self, now_ms: int) -> str:
        """Send what waits; what blocks that, as a word, or "". StoreDamaged where the spool is."""
        blocked = self._send(now_ms)
        self.waiting = self._store.waiting()
        return blocked

    def _send(self, now_ms: int) -> str:
        try:
            for _ in range(_BATCHES_A_TURN):
                sent = self._store.send_some(now_ms)
                if sent.again or sent.refused or sent.conflicting:
                    counted = {"sent again": sent.again, "refused": sent.refused, "conflicting": sent.conflicting}
                    self.counted.update({kind: count for kind, count in counted.items() if count})
                    log.warning(
                        "server-readings again=%d refused=%d conflicting=%d", sent.again, sent.refused, sent.conflicting
                    )
                if not sent.more:
                    break
            if self._checked_ms is None or now_ms - self._checked_ms >= DAY_MS:
                self._look(self._store.setup_problems())
                self._checked_ms = now_ms
        except StoreDamaged:
            raise
        except StoreError as error:
            if not self._down:
                log.warning("%s waiting=%d error=%s", STORE_DOWN, self._store.waiting(), error)
            self._down = True
            return STORE_DOWN
        if self._down:
            log.info("store-up waiting=%d", self._store.waiting())
        self._down = False
        return ""

    def problems(self) -> list[Problem]:
        """What a person must see to, each thing once."""
        with self._lock:
            found, self._problems = self._problems, []
            return found

    def _look(self, problems: Sequence[Problem]) -> None:
        """Keep what was not said the last time."""
        new = [problem for problem in problems if str(problem) not in self._told]
        self._told = [str(problem) for problem in problems]
        for problem in new:
            log.warning("server-setup %s", str(problem).lstrip(": "))
        with self._lock:
            self._problems += new
