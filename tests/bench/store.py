"""What the readings store costs in room, time and wear: python -m tests.bench.store

One home of twenty channels on two clear and cloudy days in turn, made here with seeded noise; times jitter by a
millisecond, as a polling loop's do. Goals: 1.2 bytes a sample in closed days; a year of one 1-minute series in 25 ms;
80 MB written a day at a sample each 10 s and one flush a minute.

Written bytes are those the kernel counts for this process on its way to the disk (/proc/self/io): every page of every
flush. The file system's own journal is not in it.
"""

from __future__ import annotations

import math
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from watcher.domain.instant import DAY_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.store.readings import SqliteReadings

START_MS = parse_iso("2026-01-01T00:00:00Z")
SITE = "home-1"
_LINE = 240.0


def moments(day: int, step_s: int) -> Iterator[list[Reading]]:
    """What one home says at each poll of a day: twenty values as such devices resolve them."""
    chance = random.Random(f"{day} {step_s}")
    cloud, energy, today, warm = 0.8, 12_345_678.0 + 20_000.0 * day, 0.0, 15.0
    clear = day % 2 == 0
    for number in range(86_400 // step_s):
        hour = number * step_s / 3600
        sun = max(0.0, math.sin((hour - 5) / 14 * math.pi)) if 5 < hour < 19 else 0.0
        if not clear and chance.random() < 0.3:
            cloud = min(1.0, max(0.15, cloud + chance.gauss(0, 0.1)))
        power = max(0.0, 3600 * sun * cloud + (chance.gauss(0, 4) if sun else 0.0))
        energy, today = energy + power * step_s / 3600, today + power * step_s / 3600
        warm += (15 + power / 100 - warm) * 0.01
        at_ms = START_MS + day * DAY_MS + number * step_s * 1000 + min(3, int(abs(chance.gauss(0, 1))))
        values = {
            "inverter-1.ac_power": round(power),
            "inverter-1.frequency": round(5000 + chance.gauss(0, 2)) / 100,
            "inverter-1.temp_heatsink": round(warm * 10) / 10,
            "inverter-1.ac_energy": math.floor(energy),
            "inverter-1.energy_today": math.floor(today),
            "inverter-1.operating_state": 4 if power else 2,
            "inverter-1.event_bits": 0,
            "meter-1.energy_index": math.floor(energy / 10) * 10,
            "meter-1.ac_power": round(power + chance.gauss(0, 8)),
            "meter-2.grid_power": round(350 + chance.gauss(0, 40) - power),
            "meter-2.energy_import": math.floor(number * step_s / 36),
            "inverter-1.ac_current": round(power / _LINE * 100) / 100,
        }
        for line in (1, 2):
            values[f"inverter-1.l{line}.ac_voltage"] = round((_LINE + chance.gauss(0, 0.5)) * 10) / 10
        for part in (1, 2):
            volts = 380 + chance.gauss(0, 1) if power else 0.0
            values[f"inverter-1.input-{part}.dc_voltage"] = round(volts * 10) / 10
            values[f"inverter-1.input-{part}.dc_current"] = round(power / 2 / volts * 100) / 100 if volts else 0.0
            values[f"inverter-1.input-{part}.dc_power"] = round(power / 2)
        yield [Reading(channel, at_ms, float(value)) for channel, value in values.items()]


def fill(path: Path, days: int, step_s: int) -> None:
    """Days of history, all packed."""
    with SqliteReadings(path) as store:
        for day in range(days):
            rows = (reading for moment in moments(day, step_s) for reading in moment)
            store.append_history(SITE, rows, START_MS + (day + 1) * DAY_MS)
        while store.upkeep(START_MS + (days + 3) * DAY_MS):
            pass


def bytes_a_sample(path: Path, days: int, step_s: int) -> None:
    fill(path, days, step_s)
    with SqliteReadings.open_reader(path) as store:
        rows = store.count(SITE)
        (blobs,) = store._connection.execute("SELECT sum(length(packed)) FROM chunk").fetchone()
        (free,) = store._connection.execute("PRAGMA freelist_count").fetchone()
    size = path.stat().st_size - 4096 * free
    print(
        f"closed days, a sample each {step_s:2} s: {size / rows:.2f} bytes a sample in the file, "
        f"{blobs / rows:.2f} in the chunks ({rows} samples; goal 1.2)"
    )


def year_of_one_series(path: Path) -> None:
    """In this process, then in one that has numpy."""
    with SqliteReadings.open_reader(path) as store:
        took = []
        for _ in range(7):
            began = time.perf_counter()
            samples = store.window(SITE, ["inverter-1.ac_power"], START_MS, START_MS + 365 * DAY_MS, 2**62)
            took.append(time.perf_counter() - began)
    what = "with numpy" if "numpy" in sys.modules else "standard library alone"
    count = len(samples["inverter-1.ac_power"])
    print(f"a year of one 1-minute series, {what}: {1000 * min(took):.0f} ms ({count} samples; goal 25 ms)")
    with SqliteReadings.open_reader(path) as store:
        began = time.perf_counter()
        window = store.window(SITE, None, START_MS, START_MS + DAY_MS, 2**62)
        rows = sum(map(len, window.values()))
    print(f"a packed day of all series, {what}: {rows / (time.perf_counter() - began) / 1e6:.1f} M rows/s")


def open_day(path: Path) -> None:
    """A day still in the hot table, as the worker reads it every quarter of an hour."""
    with SqliteReadings(path) as store:
        store.append_history(SITE, (row for moment in moments(0, 10) for row in moment), START_MS + DAY_MS)
        took = []
        for _ in range(5):
            began = time.perf_counter()
            rows = sum(map(len, store.window(SITE, None, START_MS, START_MS + DAY_MS, 2**62).values()))
            took.append(time.perf_counter() - began)
    print(f"an open day of all series: {rows / min(took) / 1e6:.1f} M rows/s")


def written_a_day(path: Path) -> None:
    """The third of three days, flushed each minute, and its night's upkeep, which packs the day before yesterday."""
    fill(path, 1, 10)
    with SqliteReadings(path) as store:
        written, rows = 0, 0
        for day in (1, 2, 3):
            before, rows = _written(), 0
            held: list[Reading] = []
            for number, moment in enumerate(moments(day, 10), start=1):
                held += moment
                if number % 6 == 0:
                    now_ms = START_MS + day * DAY_MS + number * 10_000
                    rows += store.append({SITE: held}, now_ms).new
                    held = []
            while store.upkeep(START_MS + (day + 1) * DAY_MS + 3 * 60 * MINUTE_MS):
                pass
            written = _written() - before
    print(f"written in a day, upkeep and all: {written / 1e6:.0f} MB ({rows} samples; goal 80 MB)")


def _written() -> int:
    lines = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(lines["write_bytes"])


def main() -> None:
    if len(sys.argv) == 3 and sys.argv[1] == "year":
        import numpy as np

        assert np.__name__ in sys.modules
        year_of_one_series(Path(sys.argv[2]))
        return
    # Not in memory: what is counted is on its way to a disk.
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as folder:
        year = Path(folder) / "year.sqlite"
        bytes_a_sample(Path(folder) / "ten.sqlite", 20, 10)
        bytes_a_sample(year, 365, 60)
        year_of_one_series(year)
        sys.stdout.flush()
        subprocess.run([sys.executable, "-m", "tests.bench.store", "year", str(year)], check=True)
        open_day(Path(folder) / "open.sqlite")
        written_a_day(Path(folder) / "wear.sqlite")


if __name__ == "__main__":
    main()
