"""One question for all the sites of a cell, kept between runs, and no answer believed that says nothing new."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.collect.weather.served import Asked, Reply, Row, Served, hourly_body, keyed_body, plain_body
from watcher.collect.weather.desk import WeatherDesk
from watcher.collect.weather.feed import Feed, Told
from watcher.collect.weather.manners import Limits
from watcher.domain.errors import Remedy
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, floor_day, parse_iso
from watcher.domain.site import Label, Site, Source, SourceKind, WeatherShape

NOON = parse_iso("2026-06-21T12:00Z")
SITE = Site("home-1", "Home", 53.43, -1.46, 90.0, ZoneInfo("Europe/London"))


def near(number: int) -> Site:
    """One of many homes in the same cell."""
    return replace(SITE, id=f"home-{number}", latitude_deg=53.43 + 0.0001 * number)


def source(served: Served, device: str = "weather-nowcast", shape: WeatherShape = WeatherShape.PLAIN) -> Source:
    return Source(
        SourceKind.WEATHER,
        device,
        served.address,
        every_s=3600,
        period_s=3600,
        label=Label.MEAN_ENDING,
        shape=shape,
        grid_deg=0.1,
    )


def row(end_ms: int) -> Row:
    """Weather of which no two hours are the same."""
    number = end_ms // HOUR_MS
    return {"ghi": 300.0 + number % 97, "dni": 10.0, "dhi": 290.0, "temp_air": number % 31 / 2, "wind_speed": 3.0}


def rows(first_ms: int, last_ms: int) -> dict[int, Row]:
    return {end: row(end) for end in range(first_ms // HOUR_MS * HOUR_MS + HOUR_MS, last_ms + 1, HOUR_MS)}


def willing(asked: Asked) -> Reply:
    """A service of the plain shape that answers what it is asked, as far as time has come."""
    from_ms, until_ms = parse_iso(asked.query["from"]), parse_iso(asked.query["until"])
    return Reply(plain_body(rows(from_ms, min(until_ms, asked.at_ms)), asked.at_ms))


def with_service(answer: Callable[[Asked], Reply], use: Callable[[Served], Awaitable[None]]) -> Served:
    served = Served(answer)

    async def run() -> None:
        async with served.listening():
            await use(served)

    asyncio.run(run())
    return served


async def ask(served: Served, feed: Feed, now_ms: int, site: str = "home-1", from_ms: int | None = None) -> Told:
    served.now_ms = now_ms
    return await feed.newest(site, floor_day(now_ms) - DAY_MS if from_ms is None else from_ms, now_ms, now_ms)


def test_case_f6_4_all_sites_of_a_cell_share_one_question_an_hour(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        desk = WeatherDesk(tmp_path, Limits(spacing_s=1))
        feeds = {number: desk.feed(near(number), source(served)) for number in range(30)}
        assert len(set(feeds.values())) == 1
        for minute in range(24 * 60):
            for number, feed in feeds.items():
                told = await ask(served, feed, NOON + minute * MINUTE_MS + number * 1500, f"home-{number}")
                assert told.error is None
                assert told.readings

    served = with_service(willing, use)
    assert 24 <= len(served.asked) <= 25
    assert {asked.query["latitude"] for asked in served.asked} == {"53.4000"}


def test_sites_of_other_cells_channels_and_services_do_not_share(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        desk = WeatherDesk(tmp_path)
        ours = source(served)
        others = [
            desk.feed(replace(SITE, latitude_deg=53.6), ours),
            desk.feed(SITE, replace(ours, device="weather-forecast")),
            desk.feed(SITE, replace(ours, address=served.address + "/other")),
            desk.feed(SITE, replace(ours, grid_deg=0.5)),
            desk.feed(SITE, replace(ours, shape=WeatherShape.HOURLY_COLUMNS)),
        ]
        assert len({desk.feed(SITE, ours), *others}) == 6
        assert desk.feed(SITE, replace(ours, address=served.address + "/")) is desk.feed(SITE, ours)

    with_service(willing, use)


def test_case_f6_4_questions_of_many_cells_are_spaced(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        desk = WeatherDesk(tmp_path, Limits(spacing_s=5))
        feeds = [desk.feed(replace(SITE, id=f"home-{n}", latitude_deg=50 + n), source(served)) for n in range(5)]
        for second in range(60):
            for number, feed in enumerate(feeds):
                await ask(served, feed, NOON + second * 1000, f"home-{number}")

    served = with_service(willing, use)
    times = [asked.at_ms for asked in served.asked]
    assert times == [NOON + second * 1000 for second in (0, 5, 10, 15, 20)]
    assert len({asked.query["latitude"] for asked in served.asked}) == 5


def test_who_comes_while_the_question_is_under_way_does_not_ask_again(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path, Limits(spacing_s=0)).feed(SITE, source(served))
        both = await asyncio.gather(ask(served, feed, NOON), ask(served, feed, NOON, "home-2"))
        assert [bool(told.readings) for told in both] == [True, False]
        assert (await ask(served, feed, NOON + MINUTE_MS, "home-2")).readings

    assert len(with_service(willing, use).asked) == 1


def test_a_site_that_lacks_more_is_asked_for_at_once_and_the_others_share_its_question(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path, Limits(spacing_s=0)).feed(SITE, source(served))
        await ask(served, feed, NOON)
        long_ago_ms = NOON - 5 * DAY_MS
        told = await ask(served, feed, NOON + MINUTE_MS, "home-2", from_ms=long_ago_ms)
        assert min(one.time_ms for one in told.readings) == long_ago_ms + HOUR_MS
        await ask(served, feed, NOON + 2 * HOUR_MS)
        await ask(served, feed, NOON + 2 * HOUR_MS, "home-2", from_ms=long_ago_ms)

    assert len(with_service(willing, use).asked) == 3


@pytest.mark.parametrize("status", ["429 Too Many Requests", "503 Service Unavailable"])
def test_case_f6_4_the_time_a_service_names_holds_for_all_its_cells_and_after_a_restart(
    tmp_path: Path, status: str
) -> None:
    async def use(served: Served) -> None:
        desk = WeatherDesk(tmp_path, Limits(spacing_s=0))
        told = await ask(served, desk.feed(SITE, source(served)), NOON)
        assert told.error is not None
        assert "asks to wait 7200 s" in str(told.error)
        for minute in range(1, 120):
            if minute == 60:
                desk = WeatherDesk(tmp_path, Limits(spacing_s=0))
            for site in (SITE, replace(SITE, id="home-2", latitude_deg=55.0)):
                await ask(served, desk.feed(site, source(served)), NOON + minute * MINUTE_MS, site.id)
        assert len(served.asked) == 1
        for minute in range(120, 130):
            await ask(served, desk.feed(SITE, source(served)), NOON + minute * MINUTE_MS)

    served = with_service(lambda asked: Reply(status=status, headers=("Retry-After: 7200",)), use)
    assert len(served.asked) == 2


def test_case_f6_4_the_days_questions_are_counted_over_a_restart_and_said_when_used_up(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        for start in range(3):
            desk = WeatherDesk(tmp_path, Limits(spacing_s=0, calls_a_day=5))
            for number in range(4):
                site = replace(SITE, id=f"home-{number}", latitude_deg=50 + number + start / 10)
                told = await ask(served, desk.feed(site, source(served)), NOON + start * HOUR_MS, site.id)
        assert told.error is not None
        assert "the day's 5 questions are asked" in str(told.error)
        told = await ask(served, desk.feed(site, source(served)), NOON + 12 * HOUR_MS, site.id)
        assert told.error is None

    assert len(with_service(willing, use).asked) == 6


def test_case_f6_1_a_service_that_is_down_is_asked_ever_more_rarely(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path).feed(SITE, source(served))
        for minute in range(0, 7 * 60, 5):
            told = await ask(served, feed, NOON + minute * MINUTE_MS)
            assert told.readings == ()
            assert told.error is not None
            assert told.error.remedy is Remedy.RETRY

    with caplog.at_level(logging.INFO):
        served = with_service(lambda asked: Reply(status="503 Service Unavailable"), use)
    pauses = [after.at_ms - before.at_ms for before, after in zip(served.asked, served.asked[1:], strict=False)]
    assert len(served.asked) <= 12
    assert pauses == sorted(pauses)
    assert max(pauses) <= 80 * MINUTE_MS
    assert [record.message.partition(" ")[0] for record in caplog.records] == ["weather-down"]


def test_an_answer_of_another_shape_is_the_setups_fault_and_asked_again_hourly(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path).feed(SITE, source(served, shape=WeatherShape.DATE_KEYED))
        for minute in range(0, 180, 5):
            told = await ask(served, feed, NOON + minute * MINUTE_MS)
            assert told.error is not None
            assert told.error.remedy is Remedy.FIX_SETUP

    assert len(with_service(lambda asked: Reply(hourly_body(rows(NOON - DAY_MS, NOON))), use).asked) == 3


def test_means_of_another_length_than_the_site_file_says_are_refused(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        told = await ask(served, WeatherDesk(tmp_path).feed(SITE, source(served)), NOON)
        assert told.readings == ()
        assert "means over 900 s; the site file says period_s = 3600" in str(told.error)

    with_service(lambda asked: Reply(plain_body(rows(NOON - DAY_MS, NOON), asked.at_ms, period_s=900)), use)


def test_a_restart_asks_nothing_that_was_just_asked(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        before = await ask(served, WeatherDesk(tmp_path).feed(SITE, source(served)), NOON)
        after = await ask(served, WeatherDesk(tmp_path).feed(SITE, source(served)), NOON + 1_000)
        assert after == before
        assert after.readings

    assert len(with_service(willing, use).asked) == 1


def test_what_was_kept_in_another_shape_is_asked_for_anew(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        await ask(served, WeatherDesk(tmp_path).feed(SITE, source(served)), NOON)
        for file in tmp_path.glob("*.answer"):
            head, _, body = file.read_bytes().partition(b"\n")
            file.write_bytes(head + b"\n" + b"x" * len(body))
        told = await ask(served, WeatherDesk(tmp_path).feed(SITE, source(served)), NOON + MINUTE_MS)
        assert told.error is None

    assert len(with_service(willing, use).asked) == 2


@pytest.mark.parametrize(
    ("shape", "answer"),
    [
        pytest.param(WeatherShape.HOURLY_COLUMNS, hourly_body, id="hourly columns"),
        pytest.param(WeatherShape.DATE_KEYED, keyed_body, id="date keyed"),
    ],
)
def test_every_shape_brings_the_same_sunshine(
    tmp_path: Path, shape: WeatherShape, answer: Callable[[dict[int, Row]], bytes]
) -> None:
    async def use(served: Served) -> None:
        told = await ask(served, WeatherDesk(tmp_path).feed(SITE, source(served, shape=shape)), NOON)
        ghi = {one.time_ms: one.value for one in told.readings if one.channel == "weather-nowcast.ghi"}
        assert ghi == {end: row(end)["ghi"] for end in rows(NOON - DAY_MS, NOON)}

    with_service(lambda asked: Reply(answer(rows(NOON - DAY_MS, NOON))), use)


def test_case_f6_3_an_answer_made_no_later_than_the_one_before_is_not_believed(tmp_path: Path) -> None:
    """Yesterday's values under today's times, with the time of making unchanged."""
    made_ms = NOON - 10 * MINUTE_MS

    def frozen(asked: Asked) -> Reply:
        fresh = asked.at_ms < NOON + HOUR_MS or asked.at_ms >= NOON + 7 * HOUR_MS
        told = rows(parse_iso(asked.query["from"]), asked.at_ms)
        return Reply(plain_body(told, asked.at_ms if fresh else made_ms))

    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path).feed(SITE, source(served))
        first = await ask(served, feed, NOON)
        for minute in range(61, 7 * 60, 5):
            told = await ask(served, feed, NOON + minute * MINUTE_MS)
            assert told.readings == first.readings
        assert "it still gives the answer it made at 2026-06-21T11:50:00Z" in str(told.error)
        for minute in range(7 * 60, 9 * 60, 5):
            told = await ask(served, feed, NOON + minute * MINUTE_MS)
        assert told.error is None
        assert max(one.time_ms for one in told.readings) >= NOON + 8 * HOUR_MS

    with_service(frozen, use)


def test_a_question_asked_again_within_the_period_may_find_the_same_answer(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path, Limits(spacing_s=0)).feed(SITE, source(served))
        await ask(served, feed, NOON)
        told = await ask(served, feed, NOON + 10 * MINUTE_MS, "home-2", from_ms=NOON - 4 * DAY_MS)
        assert told.error is None

    with_service(lambda asked: Reply(plain_body(rows(parse_iso(asked.query["from"]), NOON), NOON)), use)


def test_case_f6_3_an_answer_that_repeats_the_day_before_gives_none_of_it(tmp_path: Path) -> None:
    """A shape that does not say when it was made: only the values can tell."""

    def repeating(asked: Asked) -> Reply:
        told = {end: row(end if end <= NOON else end - DAY_MS) for end in rows(floor_day(NOON) - DAY_MS, asked.at_ms)}
        return Reply(hourly_body(told))

    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path).feed(SITE, source(served, shape=WeatherShape.HOURLY_COLUMNS))
        assert (await ask(served, feed, NOON)).error is None
        told = await ask(served, feed, NOON + 6 * HOUR_MS)
        assert "it repeats the values of the day before" in str(told.error)
        assert max(one.time_ms for one in told.readings if one.channel.endswith(".ghi")) == NOON + HOUR_MS

    # The mean of two momentary temperatures spans the change, so the first repeated hour can't be told from a new one.
    with_service(repeating, use)


def test_values_that_cannot_be_are_counted(tmp_path: Path) -> None:
    async def use(served: Served) -> None:
        feed = WeatherDesk(tmp_path).feed(SITE, source(served))
        told = await ask(served, feed, NOON)
        assert feed.refused == 1
        assert NOON not in {one.time_ms for one in told.readings if one.channel.endswith(".ghi")}

    def one_wrong(asked: Asked) -> Reply:
        told = {**rows(NOON - DAY_MS, NOON)}
        told[NOON] = {**told[NOON], "ghi": 6_000.0}
        return Reply(plain_body(told, asked.at_ms))

    with_service(one_wrong, use)
