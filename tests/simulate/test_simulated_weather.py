"""The simulated weather service: true means with an error of its own, on time, late, gone or without values."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from typing import Any

import pytest

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, iso, parse_iso
from watcher.simulate.faults import Fault, FaultKind
from watcher.simulate.scenario import WeatherFacts
from watcher.simulate.weather_service import PERIOD_MS, WeatherService
from watcher.simulate.world import World

START = parse_iso("2026-06-08T00:00Z")
NOON = START + 12 * HOUR_MS
EXACT = WeatherFacts(noise_percent=0.0, bias_percent=0.0)
MakeWorld = Callable[..., World]


def ask(world: World, from_ms: int, until_ms: int, seed: int = 1) -> dict[str, Any]:
    target = f"/irradiance?latitude=53.4&longitude=-1.5&from={iso(from_ms)}&until={iso(until_ms)}"
    answer = WeatherService(world, seed).answer(target)
    assert answer.status == 200
    return answer.body


def test_values_are_the_means_of_the_true_sky_labelled_with_their_end(make_world: MakeWorld) -> None:
    world = make_world(weather=EXACT)
    world.advance(NOON)
    told = ask(world, NOON - HOUR_MS, NOON)
    assert told["time"] == [iso(NOON - HOUR_MS + n * PERIOD_MS) for n in (1, 2, 3, 4)]
    assert (told["label"], told["period_s"], told["generated"]) == ("mean-ending", 900, iso(NOON))
    true = [world.sky.at(NOON - PERIOD_MS + n * 5_000).ghi for n in range(180)]
    assert told["ghi"][-1] == pytest.approx(statistics.fmean(true), rel=0.01)


def test_no_period_is_told_before_it_has_ended(make_world: MakeWorld) -> None:
    world = make_world()
    world.advance(NOON + 14 * MINUTE_MS)
    assert ask(world, NOON - HOUR_MS, NOON + DAY_MS)["time"][-1] == iso(NOON)
    late = make_world(weather=WeatherFacts(delay_s=1200))
    late.advance(NOON + 14 * MINUTE_MS)
    assert ask(late, NOON - HOUR_MS, NOON + DAY_MS)["time"][-1] == iso(NOON - PERIOD_MS)


def test_the_error_is_as_large_as_stated_and_always_the_same(make_world: MakeWorld) -> None:
    world, exact = make_world(), make_world(weather=EXACT)
    for each in (world, exact):
        each.advance(START + 9 * DAY_MS)
    told, true = ask(world, START, START + 9 * DAY_MS), ask(exact, START, START + 9 * DAY_MS)
    ratios = [a / b for a, b in zip(told["ghi"], true["ghi"], strict=True) if b > 50]
    assert 0.03 < statistics.stdev(ratios) < 0.06
    assert abs(statistics.fmean(ratios) - 1) < 0.03
    assert told == ask(world, START, START + 9 * DAY_MS)
    assert told["ghi"] != ask(world, START, START + 9 * DAY_MS, seed=2)["ghi"]
    assert told["temp_air"] == true["temp_air"]


def test_case_f6_the_service_is_down_for_a_spell(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.WEATHER_DOWN, NOON, NOON + HOUR_MS, retry_after_s=600))
    service = WeatherService(world, 1)
    target = f"/irradiance?latitude=53.4&longitude=-1.5&from={iso(START)}&until={iso(NOON)}"
    answers = []
    for hour in (11, 12, 13):
        world.advance(START + hour * HOUR_MS)
        answers.append(service.answer(target))
    assert [answer.status.value for answer in answers] == [200, 503, 200]
    assert answers[1].retry_after_s == 600


def test_case_f6_values_are_missing_for_a_spell(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.WEATHER_NULL, NOON, NOON + HOUR_MS))
    world.advance(NOON + 2 * HOUR_MS)
    told = ask(world, NOON - HOUR_MS, NOON + 2 * HOUR_MS)
    missing = [time for time, ghi in zip(told["time"], told["ghi"], strict=True) if ghi is None]
    assert missing == [iso(NOON + n * PERIOD_MS) for n in (1, 2, 3, 4)]
    assert [value is None for value in told["temp_air"]] == [value is None for value in told["ghi"]]


def test_a_late_service_keeps_what_it_has_told_and_catches_up(make_world: MakeWorld) -> None:
    world = make_world(Fault(FaultKind.WEATHER_LATE, NOON, NOON + 6 * HOUR_MS, hours=3.0))
    last = []
    for hour in (11, 12, 14, 17, 18):
        world.advance(START + hour * HOUR_MS)
        last.append(ask(world, START, START + DAY_MS)["time"][-1])
    assert last == [iso(START + hour * HOUR_MS) for hour in (11, 12, 12, 14, 18)]


@pytest.mark.parametrize(
    ("target", "status"),
    [
        ("/", 404),
        ("/irradiance", 400),
        ("/irradiance?latitude=x&longitude=0&from=2026-06-08T00:00Z&until=2026-06-08T01:00Z", 400),
        ("/irradiance?latitude=53.4&longitude=-1.5&from=2026-06-08&until=2026-06-08T01:00Z", 400),
        ("/irradiance?latitude=53.4&longitude=-1.5&from=2026-06-08T02:00Z&until=2026-06-08T01:00Z", 400),
        ("/irradiance?latitude=53.4&longitude=-1.5&from=2026-01-08T02:00Z&until=2026-06-08T01:00Z", 400),
        ("/irradiance?latitude=40&longitude=-1.5&from=2026-06-08T00:00Z&until=2026-06-08T01:00Z", 404),
    ],
)
def test_a_wrong_question_gets_a_reason(make_world: MakeWorld, target: str, status: int) -> None:
    answer = WeatherService(make_world(), 1).answer(target)
    assert answer.status == status
    assert answer.body["error"]
