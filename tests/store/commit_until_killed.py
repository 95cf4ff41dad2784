"""Commits one evaluation and kills itself before a given statement; says how many there were if it never came to it."""

from __future__ import annotations

import os
import signal
import sys

from ledger_samples import T0, whole_evaluation
from sqlalchemy import Engine, event

from watcher.domain.instant import GRID_MS, HOUR_MS
from watcher.store.ledger import Ledger


def main(path: str, fatal_statement: int) -> None:
    ledger = Ledger(f"sqlite:///{path}")
    previous_ms = ledger.evaluated_until("home-1")
    seen = 0

    def count(*_: object) -> None:
        nonlocal seen
        seen += 1
        if seen == fatal_statement:
            os.kill(os.getpid(), signal.SIGKILL)

    event.listen(Engine, "before_cursor_execute", count)
    event.listen(Engine, "commit", count)
    assert previous_ms == T0
    ledger.commit(whole_evaluation(T0 + GRID_MS, T0 + HOUR_MS), previous_ms)
    print(seen)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
