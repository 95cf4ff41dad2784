"""A daemon in stepped time that lives until something ends it: for the power cuts (power_cuts.py).

It says on standard output, once the store has said so: which instants of its device are stored, and which numbered
events the ledger has. `hours` lets it live scripted hours in this process, each with an I/O error at another write.
"""

from __future__ import annotations

import asyncio
import ctypes
import json
import shutil
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from tests.cases.scripted import INDEX, SITE, START_MS, Device, Scripted
from watcher.daemon import Daemon
from watcher.domain.errors import StoreError
from watcher.domain.event import EventKind
from watcher.domain.instant import DAY_MS, SECOND_MS
from watcher.domain.reading import Appended, Reading
from watcher.store.opening import Stores
from watcher.store.readings import SqliteReadings

CHANNELS = (INDEX, "inverter-1.ac_power", "inverter-1.input-1.dc_power", "inverter-1.input-2.dc_power")
EVERY_MS = 10 * SECOND_MS
UPKEEP_S = 300


def say(line: Mapping[str, object]) -> None:
    print(json.dumps(line), flush=True)


class Acknowledging:
    """The daemon's writer, which says what it has acknowledged, and writes an event with each batch."""

    def __init__(self, stores: Stores) -> None:
        self._stores = stores
        events, _ = stores.ledger.events(SITE, 2**62)
        self._number = max((int(event.values["n"]) for event in events), default=0)
        say({"damages": [str(damage) for damage in stores.damages]})

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended:
        appended = self._stores.readings.append(batches, now_ms)
        say({"stored": [row.time_ms for rows in batches.values() for row in rows if row.channel == INDEX]})
        number = self._number + 1
        self._stores.ledger.add_event(SITE, EventKind.NOTE, "", now_ms, {"n": number}, now_ms)
        self._number = number
        say({"event": number})
        return appended

    def upkeep(self, now_ms: int) -> bool:
        return self._stores.readings.upkeep(now_ms)

    def close(self) -> None:
        self._stores.readings.close()


async def night(daemon: Daemon) -> None:
    """Pack all there is, as if days had passed: more comes for the same day, and joins its chunk the next time."""
    upkeep = daemon._parts.readings.upkeep
    # A night that fails is followed by another one; the scheduler lets the daemon live.
    with suppress(StoreError):
        while await daemon._in_writer(upkeep, daemon._clock.now_ms() + 3 * DAY_MS):
            pass


def begin_ms(readings: Path) -> int:
    """After everything a daemon before us can have asked for."""
    if not readings.exists():
        return START_MS
    with SqliteReadings(readings) as store:
        through_ms = store.received_through(SITE)
    return START_MS if through_ms is None else (through_ms // EVERY_MS + 7) * EVERY_MS


def live(folder: Path) -> None:
    """Until killed."""
    device = Device(every_s=EVERY_MS / 1000, channels=CHANNELS)
    run = Scripted(folder, device, writer=Acknowledging)
    run.start_ms = begin_ms(run.files.readings)
    run.at = [(second, night) for second in range(UPKEEP_S + 5, 86_400, UPKEEP_S)]
    asyncio.run(run.run(86_400))


def hours(folder: Path, first: int, step: int) -> None:
    """A scripted hour with an error at the first-th write, one with an error at the next, until there is none left."""
    shim = ctypes.CDLL(None)
    shim.power_operations.restype = ctypes.c_long
    at = first
    while True:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        began = shim.power_operations()
        shim.power_fail_at(ctypes.c_long(at))
        device = Device(every_s=EVERY_MS / 1000, channels=CHANNELS)
        starts = 0
        while not device.asked:
            # An error while the files are opened ends the start; the service manager tries again.
            starts += 1
            try:
                asyncio.run(Scripted(folder, device, at=[(1_805, night)]).run(3_600))
            except StoreError:
                if starts == 3:
                    raise
        used = shim.power_operations() - began
        shim.power_fail_at(ctypes.c_long(0))
        stored = Scripted(folder, device).stored()
        whole = all([at for at, _ in stored.get(name, [])] == device.asked for name in CHANNELS)
        whole = whole and len(device.asked) == 360
        say({"error_at": at, "writes": used, "starts": starts, "whole": whole})
        if at >= used:
            return
        at += step


def main() -> None:
    folder = Path(sys.argv[2])
    if sys.argv[1] == "live":
        live(folder)
    else:
        hours(folder, int(sys.argv[3]), int(sys.argv[4]))


if __name__ == "__main__":
    main()
