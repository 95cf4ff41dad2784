"""Appends and sends, one batch a simulated second, until it is killed: the child of the kill test."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from watcher.domain.instant import HOUR_MS, SECOND_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.store.server.readings import ServerReadings
from watcher.store.server.settings import ServerKind, ServerSettings

T0 = parse_iso("2024-06-21T10:00:00Z")


def batch(number: int) -> list[Reading]:
    """Twenty rows of a second."""
    return [Reading("inverter-1.ac_power", T0 + number * SECOND_MS + i * 50, float(number * 20 + i)) for i in range(20)]


def main() -> None:
    spool, kind, url, bucket, pace = sys.argv[1:]
    with ServerReadings(Path(spool), ServerSettings(ServerKind(kind), url, bucket, "home")) as store:
        through = store.received_through("home-1")
        number = 0 if through is None else (through - T0) // SECOND_MS + 1
        while True:
            store.append({"home-1": batch(number)}, T0 + number * SECOND_MS)
            # The sender's clock is fast either way, so that proving is killed too, and by hours forgetting as well.
            store.send_some(T0 + number * HOUR_MS if pace == "hours" else 20 * time.time_ns() // 1_000_000)
            print(number, flush=True)
            number += 1


if __name__ == "__main__":
    main()
