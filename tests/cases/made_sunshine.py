"""A healthy home whose only reference is a weather service, driven through an outage of it: service, collector, store.

The sky is the made home's own. Every five minutes the weather collectors have their turn over real HTTP and the
devices are read; what both bring is appended as the daemon would, and judged when the test asks for it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tests.collect.weather.served import Asked, Reply, Row, Served
from tests.detect.made_homes import SOUTH, Home, home_site, polled, record_of
from watcher.align.build import build_window
from watcher.align.window import Floats
from watcher.catch_up import Case, catch_up
from watcher.collect.collectors import WeatherCollector
from watcher.collect.weather.desk import WeatherDesk
from watcher.collect.weather.manners import Limits
from watcher.domain.day import SettledDay
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, POINTS_A_DAY, floor_day, parse_iso
from watcher.domain.reading import Reading, Samples
from watcher.domain.site import Label, Site, Source, SourceKind, WeatherShape
from watcher.domain.trouble import Trouble
from watcher.expect.day import expect_day
from watcher.expect.expectation import Expectation
from watcher.notify.silent_references import SilentReferences
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

START = parse_iso("2026-06-20T00:00Z")
TURN_MS = GRID_MS


def service(device: str, path: str, shape: WeatherShape = WeatherShape.PLAIN, every_s: float = 3600) -> Source:
    """path: below the test's server, filled in when it listens"""
    return Source(
        SourceKind.WEATHER, device, path, every_s=every_s, period_s=3600, label=Label.MEAN_ENDING, shape=shape
    )


NOWCAST = service("weather-nowcast", "/nowcast")


def sky(days: int, *clearness: float) -> Floats:
    """Clearness by the hour, a little different every day, around a level for each day; the last one holds."""
    levels = [*clearness, *[clearness[-1]] * days][:days]
    hours = np.arange(days * 24)
    wander = 1 + 0.06 * np.sin(hours * 1.7) + 0.03 * np.sin(hours * 0.37)
    return np.repeat(np.repeat(levels, 24) * wander, 12)


@dataclass
class Outage:
    """answer: the service, given what it is asked and the hourly means of the true sky up to now, by their end.

    after_ms: how long sunshine may be missing before the operator is told
    """

    answer: Callable[[Asked, dict[int, Row]], Reply]
    days: int = 2
    clearness: Sequence[float] = (0.75,)
    sources: tuple[Source, ...] = (NOWCAST,)
    after_ms: int = 6 * HOUR_MS
    bend: Callable[[Home], None] = lambda home: None
    notices: list[tuple[int, list[Trouble]]] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    settled: list[SettledDay] = field(default_factory=list)

    def run(self, folder: Path) -> Outage:
        """Drive it to the end and judge all of it."""
        self.site = home_site(SOUTH, sensors=(), sources=(polled("inverter-1"), polled("meter-1"), *self.sources))
        self.home = Home(self.site, START, self.days, sky(self.days, *self.clearness))
        self.bend(self.home)
        self.readings, self.ledger = SqliteReadings(":memory:"), Ledger("sqlite://")
        self.ledger.put_version(self.site.id, "as made", 0)
        asyncio.run(self._drive(folder / "weather"))
        self.judge()
        return self

    def judge(self) -> None:
        case = Case(self.site.id, self.readings, self.ledger, lambda text: record_of(self.site))
        self.settled = [day for evaluation in catch_up(case, from_ms=START) for day in evaluation.days]

    def true_hours(self, now_ms: int) -> dict[int, Row]:
        """What a perfect service could say by now."""
        means = self.home.ghi.reshape(-1, 12).mean(axis=1)
        ends = START + HOUR_MS * np.arange(1, len(means) + 1)
        return {
            int(end): {
                "ghi": round(float(mean), 1),
                "temp_air": 14.0 + int(end) // HOUR_MS % 37 / 10,
                "wind_speed": 2.0,
            }
            for end, mean in zip(ends, means, strict=True)
            if end <= now_ms
        }

    def stored(self, device: str = "weather-nowcast") -> dict[int, float]:
        """The irradiance in the store, by the end of its hour."""
        channel = f"{device}.ghi"
        found = self.readings.window(self.site.id, [channel], START, START + 60 * DAY_MS, 2**60)
        column = found.get(channel, Samples())
        return dict(zip(column.time_ms, column.value, strict=True))

    def expected(self, day: str, known_by: str) -> Expectation:
        """What a day's expectation was, with what had been received by an instant."""
        start_ms = parse_iso(f"{day}T00:00Z")
        end_ms = start_ms + DAY_MS + HOUR_MS + 1
        raw = self.readings.window(self.site.id, None, start_ms, end_ms, parse_iso(known_by))
        return expect_day(self.site, build_window(self.site, raw, (), start_ms, POINTS_A_DAY), start_ms).by_subject[
            "site"
        ]

    async def _drive(self, folder: Path) -> None:
        served = Served(lambda asked: self.answer(asked, self.true_hours(asked.at_ms)))
        async with served.listening():
            desk = WeatherDesk(folder, Limits(spacing_s=0))
            collectors = [_collector(desk, self.site, served, source) for source in self.sources]
            silent = SilentReferences(self.after_ms)
            read = sorted(
                (Reading(name, at, value) for name, column in self.home.raw().items() for at, value in _rows(column)),
                key=lambda reading: reading.time_ms,
            )
            taken = 0
            for now_ms in range(START + TURN_MS, self.home.end_ms + 5 * HOUR_MS, TURN_MS):
                served.now_ms = now_ms
                batch: list[Reading] = []
                for collector in collectors:
                    batch += (await collector.collect(now_ms, now_ms / 1000)).readings
                while taken < len(read) and read[taken].time_ms <= now_ms:
                    batch.append(read[taken])
                    taken += 1
                # The daemon writes once a minute; here what was read in the last minutes is written as it came.
                self._append(batch, now_ms)
                troubles = [one.trouble for one in collectors if one.trouble is not None]
                self.notices += [(now_ms, told) for told in silent.due(troubles, now_ms)]
            self.asked = served.asked

    def _append(self, batch: Sequence[Reading], now_ms: int) -> None:
        devices = [one for one in batch if not one.channel.startswith("weather")]
        for at_ms in sorted({one.time_ms for one in devices}):
            self.readings.append({self.site.id: [one for one in devices if one.time_ms == at_ms]}, at_ms)
        self.readings.append({self.site.id: [one for one in batch if one.channel.startswith("weather")]}, now_ms)


def _collector(desk: WeatherDesk, site: Site, served: Served, source: Source) -> WeatherCollector:
    feed = desk.feed(site, replace(source, address=served.address + source.address))
    return WeatherCollector(site.id, feed, begin_ms=START)


def _rows(column: Samples) -> list[tuple[int, float]]:
    return list(zip(column.time_ms, column.value, strict=True))


def whole_days(asked: Asked, hours: dict[int, Row]) -> dict[int, Row]:
    """What a service that answers in whole days gives: every hour from the day before yesterday on."""
    return {end: one for end, one in hours.items() if end > floor_day(asked.at_ms) - 2 * DAY_MS}
