"""What a live point costs a worker that stays: python -m tests.bench.point [DAYS]

The home of tests/bench/year.py, on disk: its readings come in as they were made, five minutes at a time, and after each
batch the worker judges what is due, store and commit included, as on a server. A day in June after so many days of
history (three weeks by default), which are judged first. Processor time and time that passed, each as the middle and
the 95th of a hundred; beside them a commit of the same store alone, which is what the disk asks.
Goal: 30 ms a point.
"""

from __future__ import annotations

import sqlite3
import sys
import time
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from tests.bench.year import BEGIN_MS, SITE, bare_chain, readings, site_text
from watcher.domain.instant import DAY_MS, GRACE_MS, GRID_MS
from watcher.domain.reading import Reading
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.worker import Worker

GOAL_MS = 30.0
POLL_MS = 2_000
"""So long after a grid point its readings are in the store."""

FIRST_DAY = 130
"""Of the year, at which the history begins: the live day is in June."""


def batches(days: int) -> Iterator[tuple[int, list[Reading]]]:
    """What is read at each grid point, with that point."""
    count = (FIRST_DAY + days) * DAY_MS // GRID_MS
    middles = BEGIN_MS + GRID_MS // 2 + np.arange(count, dtype=np.int64) * GRID_MS
    made = bare_chain(pd.DatetimeIndex(pd.to_datetime(middles, unit="ms", utc=True)))
    first_ms = BEGIN_MS + FIRST_DAY * DAY_MS
    rows = (row for row in readings(FIRST_DAY + days, GRID_MS, *made) if row.time_ms >= first_ms)
    for at_ms, read in groupby(sorted(rows, key=lambda row: row.time_ms), key=lambda row: row.time_ms):
        yield at_ms, list(read)


def percentile(times: Sequence[float], share: float) -> float:
    return sorted(times)[min(int(share * len(times)), len(times) - 1)]


def commit_ms(folder: Path) -> float:
    """A transaction of one row in a file of the same kind, forced to disk. [ms]"""
    with sqlite3.connect(folder / "alone.sqlite", isolation_level=None) as alone:
        alone.execute("PRAGMA journal_mode = WAL")
        alone.execute("PRAGMA synchronous = FULL")
        alone.execute("CREATE TABLE one (at INTEGER)")
        took = []
        for at in range(50):
            began = time.perf_counter()
            alone.execute("INSERT INTO one VALUES (?)", (at,))
            took.append(1000 * (time.perf_counter() - began))
    return percentile(took, 0.5)


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 21
    with TemporaryDirectory() as name:
        folder = Path(name)
        with (
            SqliteReadings(folder / "readings.sqlite") as store,
            Ledger(f"sqlite:///{folder / 'ledger.sqlite'}") as ledger,
        ):
            ledger.put_version(SITE, site_text(300.0), 0)
            worker = Worker(store, ledger)
            spent: list[tuple[float, float]] = []
            live_from_ms = BEGIN_MS + (FIRST_DAY + days) * DAY_MS
            history: list[Reading] = []
            for at_ms, rows in batches(days + 1):
                if at_ms <= live_from_ms:
                    history += rows
                    continue
                if history:
                    store.append_history(SITE, history, live_from_ms + GRACE_MS)
                    store.append({SITE: []}, live_from_ms + GRACE_MS)
                    worker.answer({"evaluate": [SITE]})
                    history = []
                store.append({SITE: rows}, at_ms + POLL_MS)
                store.append({SITE: []}, at_ms + GRACE_MS)
                began = time.process_time(), time.perf_counter()
                (judged,) = worker.answer({"evaluate": [SITE]})["judged"]
                spent.append((1000 * (time.process_time() - began[0]), 1000 * (time.perf_counter() - began[1])))
                assert "error" not in judged, judged
        processor, passed = ([one[kind] for one in spent] for kind in (0, 1))
        print(f"{len(spent)} live points after {days} days of history, 20 channels, one site in a warm worker")
        for what, times in (("processor time", processor), ("time that passed", passed)):
            middle, high = percentile(times, 0.5), percentile(times, 0.95)
            print(f"  {what:16} {middle:5.1f} ms, of the slowest twentieth {high:5.1f} ms or more")
        print(f"  a commit alone   {commit_ms(folder):5.1f} ms")
        met = "met" if percentile(processor, 0.5) <= GOAL_MS else "missed"
        print(f"goal: {GOAL_MS:.0f} ms of processor time a point; {met}")


if __name__ == "__main__":
    main()
