"""One site's share of a feed: what is written when, and when the operator should know."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.collect.weather.served import Asked, Reply, Row, Served, hourly_body, keyed_body
from tests.collect.weather.test_weather_feed import NOON, SITE, row, rows, source, willing
from watcher.collect.collectors import WeatherCollector
from watcher.collect.weather.desk import WeatherDesk
from watcher.collect.weather.manners import Limits
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, floor_day, iso
from watcher.domain.reading import Reading
from watcher.domain.site import Site, WeatherShape

TURN_MS = 5 * MINUTE_MS


class Drive:
    """A collector turned every five minutes, and what it brought at each turn."""

    def __init__(self, served: Served, folder: Path) -> None:
        self.served, self.desk = served, WeatherDesk(folder, Limits(spacing_s=0))
        self.brought: list[tuple[int, Reading]] = []
        self.troubles: list[tuple[int, str]] = []

    def collector(
        self, device: str = "weather-nowcast", shape: WeatherShape = WeatherShape.PLAIN, site: Site = SITE
    ) -> WeatherCollector:
        feed = self.desk.feed(site, source(self.served, device, shape))
        return WeatherCollector(site.id, feed, begin_ms=NOON - 2 * DAY_MS)

    async def run(self, collector: WeatherCollector, from_ms: int, until_ms: int) -> None:
        for now_ms in range(from_ms, until_ms, TURN_MS):
            self.served.now_ms = now_ms
            collected = await collector.collect(now_ms, now_ms / 1000)
            self.brought += [(now_ms, reading) for reading in collected.readings]
            if collector.trouble is not None:
                self.troubles.append((now_ms, collector.trouble.why))

    def ghi(self) -> list[tuple[int, int]]:
        """When a period's irradiance was brought, and which period's."""
        return [(at_ms, one.time_ms) for at_ms, one in self.brought if one.channel.endswith(".ghi")]


def driven(answer: Callable[[Asked], Reply], use: Callable[[Drive], object], folder: Path) -> Drive:
    served = Served(answer)
    drive = Drive(served, folder)

    async def run() -> None:
        async with served.listening():
            await use(drive)  # type: ignore[misc]

    asyncio.run(run())
    return drive


def forecast(asked: Asked) -> Reply:
    """Whole days of hours, the coming ones too; every answer a little other than the one before."""
    first_ms, last_ms = floor_day(asked.at_ms) - 2 * DAY_MS, floor_day(asked.at_ms) + 2 * DAY_MS
    told: dict[int, Row] = {}
    for end, one in rows(first_ms, last_ms).items():
        told[end] = {**one, "ghi": (one["ghi"] or 0.0) + (asked.at_ms // HOUR_MS % 24) / 100}
    return Reply(hourly_body(told))


def test_a_nowcast_is_written_once_a_period_soon_after_the_service_is_asked(tmp_path: Path) -> None:
    async def use(drive: Drive) -> None:
        await drive.run(drive.collector(), NOON, NOON + 6 * HOUR_MS)

    drive = driven(willing, use, tmp_path)
    ends = [end for _, end in drive.ghi()]
    assert ends == list(range(NOON - 2 * DAY_MS + HOUR_MS, NOON + 6 * HOUR_MS, HOUR_MS))
    assert all(end <= at < end + HOUR_MS + TURN_MS for at, end in drive.ghi() if end > NOON)
    assert {reading.channel for _, reading in drive.brought} == {
        f"weather-nowcast.{name}" for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")
    }
    assert drive.troubles == []


def test_a_forecast_is_written_when_its_hour_begins_and_what_it_says_later_is_not(tmp_path: Path) -> None:
    async def use(drive: Drive) -> None:
        collector = drive.collector("weather-forecast", WeatherShape.HOURLY_COLUMNS)
        await drive.run(collector, NOON - HOUR_MS, NOON + 6 * HOUR_MS)

    drive = driven(forecast, use, tmp_path)
    coming = [(at, end) for at, end in drive.ghi() if end > NOON]
    assert coming == [(NOON + hour * HOUR_MS, NOON + (hour + 1) * HOUR_MS) for hour in range(6)]


def test_a_forecast_outlives_a_short_silence_of_its_service_and_no_long_one(tmp_path: Path) -> None:
    def until_noon(asked: Asked) -> Reply:
        told = {end: row(end) for end in rows(NOON - 2 * DAY_MS, NOON + DAY_MS)}
        if asked.at_ms >= NOON:
            return Reply(status="503 Service Unavailable")
        last_ms = asked.at_ms + 3 * HOUR_MS  # asked for by the day, held to what was asked for
        return Reply(hourly_body({end: one for end, one in told.items() if end <= last_ms}))

    async def use(drive: Drive) -> None:
        collector = drive.collector("weather-forecast", WeatherShape.HOURLY_COLUMNS)
        await drive.run(collector, NOON - 2 * HOUR_MS, NOON + 8 * HOUR_MS)

    drive = driven(until_noon, use, tmp_path)
    ahead = [end for at, end in drive.ghi() if end > at >= NOON]
    assert 1 <= len(ahead) <= 3


def test_case_f6_after_recovery_the_missing_periods_are_filled_in_once(tmp_path: Path) -> None:
    def down(asked: Asked) -> Reply:
        if NOON <= asked.at_ms < NOON + 7 * HOUR_MS:
            return Reply(status="503 Service Unavailable")
        return willing(asked)

    async def use(drive: Drive) -> None:
        await drive.run(drive.collector(), NOON - 2 * HOUR_MS, NOON + 12 * HOUR_MS)

    drive = driven(down, use, tmp_path)
    ends = [end for _, end in drive.ghi()]
    assert len(ends) == len(set(ends))
    assert set(range(NOON - HOUR_MS, NOON + 11 * HOUR_MS, HOUR_MS)) <= set(ends)
    silent = [end for at, end in drive.ghi() if NOON + HOUR_MS < at < NOON + 7 * HOUR_MS]
    assert silent == []


def test_what_the_store_has_is_not_brought_again(tmp_path: Path) -> None:
    async def use(drive: Drive) -> None:
        stored = [NOON - hour * HOUR_MS for hour in range(40) if hour != 5]
        feed = drive.desk.feed(SITE, source(drive.served))
        collector = WeatherCollector(SITE.id, feed, begin_ms=NOON - 38 * HOUR_MS, stored=stored)
        await drive.run(collector, NOON, NOON + 5 * MINUTE_MS)

    assert [end for _, end in driven(willing, use, tmp_path).ghi()] == [NOON - 5 * HOUR_MS]


def test_an_analysis_that_comes_a_week_late_is_no_trouble_and_is_written_when_it_comes(tmp_path: Path) -> None:
    late_ms = 7 * DAY_MS

    def archive(asked: Asked) -> Reply:
        told = rows(floor_day(asked.at_ms) - 20 * DAY_MS, floor_day(asked.at_ms) + DAY_MS)
        return Reply(keyed_body({end: one if end <= asked.at_ms - late_ms else {} for end, one in told.items()}))

    async def use(drive: Drive) -> None:
        collector = drive.collector("weather-analysis", WeatherShape.DATE_KEYED)
        await drive.run(collector, NOON, NOON + 10 * DAY_MS)

    drive = driven(archive, use, tmp_path)
    assert drive.troubles == []
    # Two days back from where it began to where the archive has come.
    ends = [end for _, end in drive.ghi()]
    assert ends == list(range(NOON - 2 * DAY_MS + HOUR_MS, NOON + 3 * DAY_MS, HOUR_MS))
    assert len(drive.served.asked) <= 241


def test_an_analysis_that_stays_away_for_two_weeks_is_trouble(tmp_path: Path) -> None:
    def nothing(asked: Asked) -> Reply:
        told = rows(floor_day(asked.at_ms) - 20 * DAY_MS, floor_day(asked.at_ms) + DAY_MS)
        return Reply(keyed_body({end: {} for end in told}))

    async def use(drive: Drive) -> None:
        collector = drive.collector("weather-analysis", WeatherShape.DATE_KEYED)
        for day in range(20):
            await drive.run(collector, NOON + day * DAY_MS, NOON + day * DAY_MS + TURN_MS)

    drive = driven(nothing, use, tmp_path)
    assert {why for _, why in drive.troubles} == {"it answers, but tells no irradiance"}
    assert min(at for at, _ in drive.troubles) == NOON + 14 * DAY_MS


@pytest.mark.parametrize(
    ("answer", "since"),
    [
        pytest.param(lambda asked: Reply(status="503 Service Unavailable"), NOON, id="down"),
        pytest.param(lambda asked: Reply(b"<html>"), NOON, id="a page"),
    ],
)
def test_trouble_is_told_from_its_first_moment_with_its_reason(
    tmp_path: Path, answer: Callable[[Asked], Reply], since: int
) -> None:
    async def use(drive: Drive) -> None:
        collector = drive.collector()
        await drive.run(collector, NOON, NOON + 3 * HOUR_MS)
        assert collector.trouble is not None
        assert collector.trouble.since_ms == since
        assert (collector.trouble.source, collector.trouble.site) == (drive.served.address, "home-1")

    driven(answer, use, tmp_path)


def test_case_f6_2_a_service_that_tells_nothing_has_been_silent_since_its_last_word(tmp_path: Path) -> None:
    def empty(asked: Asked) -> Reply:
        told = rows(NOON - 2 * DAY_MS, asked.at_ms)
        return Reply(hourly_body({end: one if end <= NOON else {} for end, one in told.items()}))

    async def use(drive: Drive) -> None:
        collector = drive.collector(shape=WeatherShape.HOURLY_COLUMNS)
        await drive.run(collector, NOON - 2 * HOUR_MS, NOON + 5 * HOUR_MS)
        assert collector.trouble is not None
        assert iso(collector.trouble.since_ms) == iso(NOON)

    drive = driven(empty, use, tmp_path)
    assert min(at for at, _ in drive.troubles) == NOON + 3 * HOUR_MS + TURN_MS


def test_the_first_turns_of_many_sites_do_not_fall_together(tmp_path: Path) -> None:
    async def use(drive: Drive) -> None:
        firsts = [drive.collector(site=replace(SITE, id=f"home-{number}")).first_s for number in range(200)]
        assert len({round(first, 1) for first in firsts}) > 180
        assert all(0 <= first < 300 for first in firsts)

    driven(willing, use, tmp_path)
