"""A home whose pulses are counted and stored until the process is killed.

Each turn writes PULSES pulses to the file of edges and collects; every STORED_EVERYth turn stores what was collected,
as the daemon does once a minute, and says where the count stands. The file begins where the last process was killed.
"""

from __future__ import annotations

import asyncio
import itertools
import sys
from pathlib import Path

from watcher.collect.pulse.collector import PulseCollector
from watcher.collect.pulse.recorded import FollowedFile, edges_in
from watcher.collect.pulse.train import MS, Timing
from watcher.domain.reading import Reading
from watcher.domain.site import Source, SourceKind
from watcher.store.readings import SqliteReadings

PULSES = 3
STORED_EVERY = 4
NAME = "meter-1.pulse_count"


def whole_lines(path: Path) -> str:
    """The file but for what a kill left half written; the next process begins a line of its own."""
    lines = path.read_text(encoding="utf-8").split("\n") if path.exists() else []
    return "\n".join(line for line in lines if len(line.split()) == 2)


async def main(database: str, edges: str) -> None:
    path = Path(edges)
    at_ns = max((edge.at_ns for edge in edges_in(whole_lines(path))), default=0) + 1000 * MS
    with path.open("a", encoding="utf-8", buffering=1) as file, SqliteReadings(database) as store:
        file.write("\n")
        last = store.last("home-1").get(NAME)
        source = Source(SourceKind.PULSE, "meter-1", f"file:{path}")
        counted = 0.0 if last is None else last.value
        collector = PulseCollector("home-1", source, FollowedFile(path), Timing(), counted)
        await collector.collect(0 if last is None else last.time_ms + 1, 0.0)
        print("ready", flush=True)
        waiting: list[Reading] = []
        for turn in itertools.count(1):
            for _ in range(PULSES):
                file.write(f"{at_ns} 0\n{at_ns + 50 * MS} 1\n")
                at_ns += 1000 * MS
            now_ms = (0 if last is None else last.time_ms) + turn * 1000
            waiting += (await collector.collect(now_ms, turn)).readings
            if turn % STORED_EVERY == 0:
                store.append({"home-1": waiting}, now_ms)
                waiting.clear()
                print(f"{store.last('home-1')[NAME].value:.0f}", flush=True)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], sys.argv[2]))
