"""Case F6: the weather service is down, silent, frozen, strict or wrong, and is put right later.

A healthy home throughout, judged by nothing but that service: no variant may say a word against it, and nothing may
be expected where nothing is known.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from made_sunshine import NOWCAST, START, Outage, service, whole_days

from tests.collect.weather.served import Asked, Reply, Row, Served, hourly_body, keyed_body, plain_body
from tests.detect.made_homes import SOUTH, Home, home_site, record_of
from watcher.alert.wording import letter
from watcher.collect.collectors import WeatherCollector
from watcher.collect.weather.desk import WeatherDesk
from watcher.domain.alert import Alert, AlertState, ClosedAs, MailReason
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, iso, parse_iso
from watcher.domain.site import WeatherShape
from watcher.notify.message import as_text
from watcher.replay import differences, replay

SECOND = date(2026, 6, 21)
TEN, NOON, FIVE, SIX = (parse_iso(f"2026-06-21T{hour}:00Z") for hour in (10, 12, 17, 18))


def plain(asked: Asked, hours: Mapping[int, Row]) -> Reply:
    return Reply(plain_body(whole_days(asked, dict(hours)), asked.at_ms))


def opened(outage: Outage) -> list[Alert]:
    return [alert for alert in outage.ledger.alerts(outage.site.id) if alert.opened_ms is not None]


def days(outage: Outage) -> dict[tuple[date, int], tuple[float, float]]:
    """By civil day and revision, what was made and what was expected. [kWh]"""
    return {
        (day.day, day.revision): ((day.generated_wh or 0.0) / 1000, (day.expected_wh or 0.0) / 1000)
        for day in outage.settled
    }


def lit(outage: Outage, known_by: str, hours: range) -> np.ndarray:
    """The second day's expectation as it was known by an instant, in those UTC hours."""
    return outage.expected("2026-06-21", known_by).expected[hours.start * 12 : hours.stop * 12]


def replays(outage: Outage) -> list[str]:
    """How a replay of the store differs from what was said."""
    site = outage.site.id
    with replay(site, outage.readings, outage.ledger, lambda text: record_of(outage.site), from_ms=START) as fresh:
        return differences(site, outage.ledger, fresh)


@pytest.mark.slow
def test_case_f6_1_a_service_down_for_seven_hours(tmp_path: Path) -> None:
    def down(asked: Asked, hours: dict[int, Row]) -> Reply:
        if TEN <= asked.at_ms < FIVE:
            return Reply(status="503 Service Unavailable")
        return plain(asked, hours)

    outage = Outage(down).run(tmp_path)

    assert opened(outage) == []
    # While it is down those hours are unknown, not 0; the clear sky is an upper bound beside them, no expectation.
    assert np.isnan(lit(outage, "2026-06-21T16:55Z", range(11, 17))).all()
    assert (outage.expected("2026-06-21", "2026-06-21T16:55Z").bound[11 * 12 : 17 * 12] > 500).all()
    assert (lit(outage, "2026-06-21T16:55Z", range(6, 9)) > 100).all()
    # One notice to the operator, six hours after it went, and none when it came back.
    (at_ms, troubles), *others = outage.notices
    assert others == []
    assert at_ms - troubles[0].since_ms == 6 * HOUR_MS
    assert "503" in troubles[0].why
    # The hours are filled in, each once, and the day is judged once, with all of them.
    assert set(outage.stored()) == set(outage.true_hours(max(outage.stored())))
    made, expected = days(outage)[SECOND, 1]
    assert expected == pytest.approx(made, rel=0.15)
    assert {revision for day, revision in days(outage) if day == SECOND} == {1}
    assert len([asked for asked in outage.asked if TEN <= asked.at_ms < FIVE]) <= 12
    assert replays(outage) == []


@pytest.mark.slow
def test_case_f6_2_null_from_noon_to_six(tmp_path: Path) -> None:
    """It answers all the time; the hours stay null until the next day, when they are told after all."""
    filled_ms = NOON + 30 * HOUR_MS

    def null(asked: Asked, hours: dict[int, Row]) -> Reply:
        if asked.at_ms < filled_ms:
            hours = {end: {} if NOON < end <= SIX else one for end, one in hours.items()}
        return plain(asked, hours)

    outage = Outage(null, days=3).run(tmp_path)

    assert opened(outage) == []
    assert np.isnan(lit(outage, "2026-06-22T17:00Z", range(12, 18))).all()
    assert (lit(outage, "2026-06-22T17:00Z", range(8, 12)) > 100).all()
    (at_ms, troubles), *others = outage.notices
    assert others == []
    assert iso(troubles[0].since_ms) == "2026-06-21T12:00:00Z"
    assert 6 * HOUR_MS <= at_ms - NOON < 7 * HOUR_MS
    assert troubles[0].why == "it answers, but tells no irradiance"
    # Judged on what was known, and once more when the rest had come.
    made, expected = days(outage)[SECOND, 1]
    assert 0.2 * made < expected < 0.7 * made
    made, expected = days(outage)[SECOND, 2]
    assert expected == pytest.approx(made, rel=0.15)
    assert {revision for day, revision in days(outage) if day == SECOND} == {1, 2}
    assert replays(outage) == []


@pytest.mark.slow
@pytest.mark.parametrize("shape", [WeatherShape.PLAIN, WeatherShape.HOURLY_COLUMNS])
def test_case_f6_3_the_same_values_as_yesterday(tmp_path: Path, shape: WeatherShape) -> None:
    """From noon on yesterday's values under today's times; one shape says when it was made, the other does not.

    The sky of the second day is much darker than that of the first: believed, they would accuse a healthy home.
    """
    thaw_ms = NOON + 20 * HOUR_MS

    def frozen(asked: Asked, hours: dict[int, Row]) -> Reply:
        made_ms = asked.at_ms
        if NOON + HOUR_MS <= asked.at_ms < thaw_ms:
            hours = {end: hours[end - DAY_MS] if end > NOON else one for end, one in hours.items()}
            made_ms = NOON + 20 * MINUTE_MS
        if shape is WeatherShape.PLAIN:
            return Reply(plain_body(whole_days(asked, hours), made_ms))
        return Reply(hourly_body(whole_days(asked, hours)))

    outage = Outage(frozen, days=3, clearness=(0.9, 0.35, 0.8), sources=(replace(NOWCAST, shape=shape),)).run(tmp_path)

    assert opened(outage) == []
    true = outage.true_hours(2**60)
    wrong = [end for end, ghi in outage.stored().items() if abs(ghi - (true[end]["ghi"] or 0.0)) > 0.05]
    if shape is WeatherShape.PLAIN:
        assert wrong == []
    else:
        # Three repeated hours are needed to tell; those before them are written and stay, the rest never is.
        assert wrong == [NOON + HOUR_MS * n for n in range(1, len(wrong) + 1)]
        assert len(wrong) <= 3
    unknown = lit(outage, "2026-06-21T18:55Z", range(15, 18))
    assert np.isnan(unknown).all()
    (_, troubles), *others = outage.notices
    assert others == []
    assert "answer it made at" in troubles[0].why or "repeats the values of the day before" in troubles[0].why
    assert replays(outage) == []


def test_case_f6_4_429_after_our_thousandth_call(tmp_path: Path) -> None:
    """Three hundred homes in six cells of the service's grid, for a day: it never comes to the thousandth call."""
    allowed = 1000

    async def run() -> Served:
        served = Served(lambda asked: Reply())

        def strict(asked: Asked) -> Reply:
            if len(served.asked) > allowed:
                return Reply(status="429 Too Many Requests", headers=("Retry-After: 86400",))
            ends = range(asked.at_ms // HOUR_MS * HOUR_MS - 30 * HOUR_MS, asked.at_ms + 1, HOUR_MS)
            told = {end: {"ghi": 300.0 + end // HOUR_MS % 89, "temp_air": end // HOUR_MS % 31 / 2} for end in ends}
            return Reply(plain_body(told, asked.at_ms))

        served.answer = strict
        async with served.listening():
            desk = WeatherDesk(tmp_path)
            source = replace(NOWCAST, address=served.address, grid_deg=0.1)
            collectors = []
            for number in range(300):
                here = home_site(SOUTH, id=f"home-{number}", latitude_deg=53.5 + 0.1 * (number % 6) + number * 1e-4)
                collectors.append(WeatherCollector(here.id, desk.feed(here, source), begin_ms=START))
            brought = dict.fromkeys((collector.name for collector in collectors), 0)
            collectors.sort(key=lambda collector: collector.first_s)
            for turn_ms in range(START, START + DAY_MS, 5 * MINUTE_MS):
                for collector in collectors:
                    served.now_ms = turn_ms + round(collector.first_s * 1000)
                    collected = await collector.collect(served.now_ms, 0.0)
                    brought[collector.name] += len(collected.readings)
            assert all(count >= 2 * 22 for count in brought.values())
            assert all(collector.trouble is None for collector in collectors)
        return served

    served = asyncio.run(run())
    assert len({(asked.query["latitude"], asked.query["longitude"]) for asked in served.asked}) <= 7
    assert len(served.asked) <= 7 * 25
    assert len(served.asked) < allowed


@pytest.mark.slow
def test_case_f6_5_irradiance_0_at_noon(tmp_path: Path) -> None:
    def dark(asked: Asked, hours: dict[int, Row]) -> Reply:
        return plain(asked, {end: {**one, "ghi": 0.0} if TEN < end <= FIVE else one for end, one in hours.items()})

    outage = Outage(dark).run(tmp_path)

    assert opened(outage) == []
    # Stored as it was told, and no reference: neither an expectation of 0 nor "far too much".
    assert outage.stored()[NOON] == 0.0
    assert np.isnan(lit(outage, "2026-06-22T03:00Z", range(10, 17))).all()
    assert (lit(outage, "2026-06-22T03:00Z", range(6, 10)) > 100).all()
    made, expected = days(outage)[SECOND, 1]
    assert 0.0 < expected < 0.7 * made


FORECAST = service("weather-forecast", "/forecast", WeatherShape.HOURLY_COLUMNS)
ANALYSIS = service("weather-analysis", "/archive", WeatherShape.DATE_KEYED, every_s=6 * 3600)


def forecast_then_archive(factor: float, until: str, late_ms: int) -> Outage:
    """A forecast that promises a multiple of the true sunshine for a while; an archive that tells the truth later."""
    until_ms = parse_iso(until)

    def answer(asked: Asked, hours: dict[int, Row]) -> Reply:
        if asked.path == "/archive":
            return Reply(keyed_body({end: one if end <= asked.at_ms - late_ms else {} for end, one in hours.items()}))
        ahead = whole_days(asked, outage.true_hours(asked.at_ms + 4 * HOUR_MS))
        wrong = {end: {**one, "ghi": factor * (one["ghi"] or 0.0)} for end, one in ahead.items() if end <= until_ms}
        return Reply(hourly_body({**ahead, **wrong}))

    outage = Outage(answer, days=5, clearness=(0.27,), sources=(FORECAST, ANALYSIS))
    return outage


@pytest.mark.slow
def test_case_f6_6_twelve_kilowatt_hours_expected_at_first_and_seven_two_days_later(tmp_path: Path) -> None:
    outage = forecast_then_archive(12 / 7, "2026-06-30T00:00Z", late_ms=2 * DAY_MS).run(tmp_path)

    assert opened(outage) == []
    by_day = days(outage)
    made, first = by_day[SECOND, 1]
    _, later = by_day[SECOND, max(revision for day, revision in by_day if day == SECOND)]
    assert first / made == pytest.approx(12 / 7, rel=0.1)
    assert later == pytest.approx(made, rel=0.1)
    # The forecast stays what it was when it counted; the analysis stands beside it.
    assert set(outage.stored("weather-analysis")) < set(outage.stored("weather-forecast"))
    assert outage.notices == []


@pytest.mark.slow
def test_case_f6_6_an_alert_raised_on_the_forecast_is_withdrawn_with_a_note(tmp_path: Path) -> None:
    outage = forecast_then_archive(2.6, "2026-06-22T00:00Z", late_ms=2 * DAY_MS).run(tmp_path)

    (alert,) = opened(outage)
    assert (alert.finding, alert.state, alert.closed_as) == (
        Finding.OUTPUT_LOW,
        AlertState.CLEARED,
        ClosedAs.WITHDRAWN,
    )
    assert alert.opened_ms is not None
    assert alert.cleared_ms is not None
    assert DAY_MS <= alert.cleared_ms - alert.opened_ms <= 4 * DAY_MS
    told = [mail for mail in outage.ledger.mails(outage.site.id) if mail.role == "owner"]
    assert [mail.reason for mail in told] == [MailReason.OPENED, MailReason.CLEARED]
    note = as_text(letter(told[1], outage.site, Firm("Hill Street Solar", "01632 960 118")))
    assert "We were wrong" in note
    assert replays(outage) == []


@pytest.mark.slow
def test_case_f6_total_failure_still_alarms_without_any_weather(tmp_path: Path) -> None:
    """The service is down from the start, and from eight o'clock the inverter is awake and makes nothing."""

    def off(home: Home) -> None:
        for name in home.share:
            home.share[name][home.between("2026-06-21T08:00Z")] = 0.0

    outage = Outage(lambda asked, hours: Reply(status="503 Service Unavailable"), days=4, bend=off).run(tmp_path)

    assert outage.stored() == {}
    alerts = opened(outage)
    assert {alert.finding for alert in alerts} >= {Finding.NO_GENERATION}
    (dead,) = [alert for alert in alerts if alert.finding is Finding.NO_GENERATION]
    assert dead.opened_ms is not None
    # A small share of the clear sky is all that must have come through; it takes two June days to be sure of that.
    assert dead.opened_ms <= parse_iso("2026-06-23T00:00Z")
    assert iso(dead.onset_ms) == "2026-06-21T08:00:00Z"
    assert len(outage.notices) == 1


@pytest.mark.slow
def test_case_f6_a_healthy_home_without_any_weather_is_left_in_peace(tmp_path: Path) -> None:
    outage = Outage(lambda asked, hours: Reply(status="503 Service Unavailable"), clearness=(0.12,)).run(tmp_path)
    assert opened(outage) == []
    assert days(outage)[SECOND, 1][1] == 0.0
    assert [day.expected_wh for day in outage.ledger.days(outage.site.id) if day.day == SECOND] == [None]
