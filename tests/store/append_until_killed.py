"""A writer that appends one numbered batch after another and says so, until it is killed.

Batch n has the watermark n seconds and is BATCH: rows on time and rows an hour late, each with the value n.
"""

from __future__ import annotations

import itertools
import sys

from watcher.domain.instant import HOUR_MS, SECOND_MS
from watcher.domain.reading import Reading
from watcher.store.readings import SqliteReadings

CHANNELS = [f"inverter-1.input-{i}.dc_power" for i in range(6)]
LATE_CHANNELS = ["weather-analysis.ghi", "weather-analysis.temp_air"]


def batch(number: int) -> list[Reading]:
    at = number * SECOND_MS
    on_time = [Reading(channel, at, float(number)) for channel in CHANNELS]
    return on_time + [Reading(channel, at - HOUR_MS, float(number)) for channel in LATE_CHANNELS]


def main(path: str) -> None:
    store = SqliteReadings(path)
    done = store.received_through("home-1")
    print("ready", flush=True)
    for number in itertools.count(0 if done is None else done // SECOND_MS + 1):
        store.append({"home-1": batch(number)}, number * SECOND_MS)
        print(number, flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
