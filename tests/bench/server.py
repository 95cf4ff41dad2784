"""Spool, sender and reader beside the bare client: `python -m tests.bench.server`, from the project's folder.

Twenty channels at one row a minute, eight days, on a VictoriaMetrics and an InfluxDB 1.6 of one's own. The bare client
posts the same ready-made lines in the same batches and does nothing else; it neither keeps nor proves anything.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from watcher.domain.instant import DAY_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.store.readings import SqliteReadings
from watcher.store.server.lines import Row, line
from watcher.store.server.post import Post
from watcher.store.server.readings import BATCH_LINES, ServerReadings
from watcher.store.server.spool_queue import HOLD_MS, RECENT_MS

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "store" / "server"))

from real_servers import InfluxServer, RealServer, VictoriaServer

T0 = parse_iso("2024-06-01T00:00:00Z")
DAYS, CHANNELS, PAIRS = 8, 20, 3


def minute(number: int) -> list[Reading]:
    at = T0 + number * MINUTE_MS
    return [Reading(f"inverter-{i}.ac_power", at, float((number * 37 + i * 101) % 5000) / 10) for i in range(CHANNELS)]


MINUTES = [minute(number) for number in range(DAYS * 1440)]
COUNT = DAYS * 1440 * CHANNELS


def rate(work: Callable[[], object], rows: int = COUNT) -> float:
    began = time.perf_counter()
    work()
    return rows / (time.perf_counter() - began)


def bare(server: RealServer, site: str) -> float:
    post = Post(server.settings)
    lines = [line(Row(0, site, channel, time_ms, value, None)) for rows in MINUTES for channel, time_ms, value in rows]

    def work() -> None:
        for start in range(0, len(lines), BATCH_LINES):
            post.send(lines[start : start + BATCH_LINES])

    found = rate(work)
    post.close()
    return found


def measure(name: str, server: RealServer, folder: Path) -> None:
    server.start()
    found: dict[str, list[float]] = {}

    def note(what: str, value: float) -> None:
        found.setdefault(what, []).append(value)

    for number in range(PAIRS):
        note("bare client, lines ready-made", bare(server, f"bare-{number}"))
        site = f"home-{number}"
        with ServerReadings(folder / f"{name}-{number}.sqlite", server.settings) as store:
            appends = MINUTES[:1440]

            def append_by_minute(store: ServerReadings = store, site: str = site) -> None:
                for rows in appends:  # noqa: B023 read at once
                    store.append({site: rows}, rows[0].time_ms)

            note("append, one transaction a minute", rate(append_by_minute, 1440 * CHANNELS))
            rest = [reading for rows in MINUTES[1440:] for reading in rows]
            history = rate(lambda s=store, n=site, r=rest: s.append_history(n, r, T0 + 30 * DAY_MS), len(rest))
            note("append_history", history)

            def send(store: ServerReadings = store) -> None:
                while store.send_some(T0).more:
                    pass

            note("send_some from the spool", rate(send))
            server.shows((number + 1) * 2 * COUNT)
            note("proving by reading back", rate(lambda s=store: _prove(s)))
            store.send_some(T0 + HOLD_MS + RECENT_MS)
            day = rate(lambda s=store, n=site: s.window(n, None, T0 + DAY_MS, T0 + 2 * DAY_MS, 2**62), 1440 * CHANNELS)
            note("window of a day, all channels", day)
    server.kill()
    for what, values in found.items():
        print(f"{name:18} {what:34} {statistics.median(values):10,.0f} rows/s")
    ratio = statistics.median(found["bare client, lines ready-made"]) / statistics.median(
        found["send_some from the spool"]
    )
    print(f"{name:18} bare / send_some {ratio:.2f}")


def _prove(store: ServerReadings) -> None:
    proven = 0
    while (turn := store.send_some(T0 + HOLD_MS)).proven:
        assert turn.again == 0
        proven += turn.proven
    assert proven == COUNT


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        with SqliteReadings(folder / "plain.sqlite") as store:
            plain = rate(lambda: [store.append({"home-1": rows}, rows[0].time_ms) for rows in MINUTES[:1440]], 28_800)
        print(f"{'file':18} {'append, one transaction a minute':34} {plain:10,.0f} rows/s")
        measure("victoria-metrics", VictoriaServer(folder / "victoria"), folder)
        measure("influxdb 1.6", InfluxServer(folder / "influx"), folder)


if __name__ == "__main__":
    main()
