"""Years of past sunshine from a service on loopback: asked once, politely, and gone on with after a stop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.collect.weather.served import Asked, Reply, Served, hourly_body, keyed_body, plain_body
from watcher.clock import SteppedClock
from watcher.collect.weather.manners import Limits
from watcher.collect.weather.past import Doing, Filled, Step, Wanted, fill, missing
from watcher.collect.weather.past_source import PastSource
from watcher.collect.weather.service import Service
from watcher.collect.weather.shelf import Shelf
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.site import WeatherShape
from watcher.expect.expectation import Basis
from watcher.store.sunshine import Kind, Node, SunshineStore, year_bounds
from watcher.sunshine import kept_sunshine

NOW = parse_iso("2024-02-01T10:00:00Z")
NODES = [Node(53.5, -1.5, 0.5), Node(51.5, 0.0, 0.5)]


def sun(end_ms: int) -> float:
    """A year of light in which no hour is like another."""
    hour = (end_ms // HOUR_MS) % 24
    return max(0.0, 600 - 100 * abs(hour - 12.5)) + (end_ms // HOUR_MS) % 89 / 10


def archive(asked: Asked, days: int = 10) -> Reply:
    """A date-keyed archive that has the first days of what it is asked for."""
    first_ms, last_ms = (
        parse_iso(f"{text[:4]}-{text[4:6]}-{text[6:]}T00:00Z") for text in (asked.query["start"], asked.query["end"])
    )
    ends = range(first_ms + HOUR_MS, min(last_ms, first_ms + (days - 1) * DAY_MS) + DAY_MS + 1, HOUR_MS)
    rows = {end: {"ghi": sun(end), "temp_air": 10 + end // HOUR_MS % 7} for end in ends}
    return Reply(keyed_body(rows, ("ghi", "temp_air")))


def whole_archive(asked: Asked) -> Reply:
    return archive(asked, 366)


class Run:
    """What one run of the command would do."""

    def __init__(self, folder: Path, answer: Callable[[Asked], Reply], limits: Limits | None = None) -> None:
        self.store = SunshineStore(folder / "sunshine")
        self.served = Served(answer)
        self.limits = limits if limits is not None else Limits()
        self.steps: list[Step] = []
        self.shape = WeatherShape.DATE_KEYED

    def fill(self, years: range, now_ms: int = NOW, nodes: list[Node] | None = None) -> tuple[Filled, int]:
        """What came of it, and when it was done."""
        return self.fills(years, [now_ms], nodes)[0]

    def fills(
        self, years: range, begun: Sequence[int], nodes: list[Node] | None = None
    ) -> list[tuple[Filled, int]]:  # fmt: skip
        """Runs after each other, of which each begins at its own instant."""

        async def one(now_ms: int) -> tuple[Filled, int]:
            async def tick(at_ms: int) -> None:
                self.served.now_ms = at_ms

            self.served.now_ms = now_ms
            wanted = missing(self.store, "satellite", NODES if nodes is None else nodes, years, now_ms)
            clock = SteppedClock(now_ms, tick)
            source = PastSource(self.served.address, self.shape, 0.5)
            service = Service(source.address, self.limits, Shelf(self.store.folder / "manners"))
            clock.join()
            filled = await fill(wanted, source, service, self.store, clock, self.steps.append)
            clock.leave()
            service.close()
            return filled, clock.now_ms()

        async def every() -> list[tuple[Filled, int]]:
            async with self.served.listening():
                return [await one(now_ms) for now_ms in begun]

        return asyncio.run(every())


def test_each_node_and_year_is_asked_for_once_and_the_hours_come_back(tmp_path: Path) -> None:
    run = Run(tmp_path, whole_archive)
    (filled, _), (again, _) = run.fills(range(2021, 2023), [NOW, NOW])
    assert (filled.kept, filled.left, filled.refused) == (4, 0, [])
    assert [(one.query["latitude"], one.query["start"], one.query["end"]) for one in run.served.asked] == [
        ("53.5000", "20210101", "20211231"),
        ("53.5000", "20220101", "20221231"),
        ("51.5000", "20210101", "20211231"),
        ("51.5000", "20220101", "20221231"),
    ]
    found = kept_sunshine(run.store, 53.4, -1.3, *year_bounds(2022))
    assert found.known() == 1.0
    np.testing.assert_allclose(found.ghi, [sun(int(end)) for end in found.hour_ending_ms], atol=0.051)
    assert set(found.basis) == {Basis.SATELLITE}
    assert again == Filled(), "all of it is there"
    assert len(run.served.asked) == 4


def test_a_home_is_never_told_only_the_node_of_the_grid(tmp_path: Path) -> None:
    run = Run(tmp_path, archive)
    run.fill(range(2022, 2023), nodes=[Node(53.5, -1.5, 0.5)])
    assert {(one.query["latitude"], one.query["longitude"]) for one in run.served.asked} == {("53.5000", "-1.5000")}


def test_questions_keep_their_distance(tmp_path: Path) -> None:
    run = Run(tmp_path, archive, Limits(spacing_s=30))
    run.fill(range(2021, 2023))
    times = [one.at_ms for one in run.served.asked]
    assert [after - before for before, after in pairwise(times)] == [30_000] * 3


def test_a_run_that_was_stopped_goes_on_with_what_is_missing(tmp_path: Path) -> None:
    Run(tmp_path, archive).fill(range(2021, 2023), nodes=NODES[:1])
    run = Run(tmp_path, archive)
    assert run.fill(range(2021, 2023))[0].kept == 2
    assert {one.query["latitude"] for one in run.served.asked} == {"51.5000"}


def test_the_running_year_is_asked_for_up_to_yesterday_and_again_a_day_later(tmp_path: Path) -> None:
    run = Run(tmp_path, archive)
    run.fill(range(2024, 2025), nodes=NODES[:1])
    assert (run.served.asked[0].query["start"], run.served.asked[0].query["end"]) == ("20240101", "20240131")
    assert run.fill(range(2024, 2025), NOW + HOUR_MS, NODES[:1])[0] == Filled()
    assert run.fill(range(2024, 2025), NOW + DAY_MS, NODES[:1])[0].kept == 1
    assert run.served.asked[1].query["end"] == "20240201"


def test_a_year_is_settled_two_months_after_its_end(tmp_path: Path) -> None:
    run = Run(tmp_path, archive)
    run.fill(range(2023, 2024), NOW, NODES[:1])
    later = parse_iso("2024-03-02T00:00:00Z")
    assert run.fill(range(2023, 2024), later, NODES[:1])[0].kept == 1
    assert run.fill(range(2023, 2024), later + 365 * DAY_MS, NODES[:1])[0] == Filled()


def test_a_year_to_come_is_not_asked_for(tmp_path: Path) -> None:
    assert Run(tmp_path, archive).fill(range(2025, 2027))[0] == Filled()


def test_a_rest_the_service_asks_for_is_given(tmp_path: Path) -> None:
    def busy(asked: Asked) -> Reply:
        if asked.at_ms < NOW + 20 * MINUTE_MS:
            return Reply(status="429 Too Many Requests", headers=("Retry-After: 1200",))
        return archive(asked)

    run = Run(tmp_path, busy)
    filled, done_ms = run.fill(range(2022, 2023), nodes=NODES[:1])
    assert filled.kept == 1
    assert [one.at_ms for one in run.served.asked] == [NOW, NOW + 20 * MINUTE_MS]
    assert done_ms >= NOW + 20 * MINUTE_MS
    assert [step.doing for step in run.steps] == [Doing.ASKING, Doing.WAITING, Doing.ASKING, Doing.KEPT]


@pytest.mark.parametrize("wait_s", [3 * 3600, 86_400])
def test_a_longer_rest_ends_the_run_and_is_kept_to_by_the_next(tmp_path: Path, wait_s: int) -> None:
    run = Run(tmp_path, lambda _: Reply(status="429 Too Many Requests", headers=(f"Retry-After: {wait_s}",)))
    for filled, _ in run.fills(range(2022, 2023), [NOW, NOW + 30 * MINUTE_MS]):
        assert (filled.kept, filled.left) == (0, 2)
        assert "rest" in filled.why
    assert len(run.served.asked) == 1


def test_the_questions_of_a_day_are_not_exceeded(tmp_path: Path) -> None:
    run = Run(tmp_path, archive, Limits(calls_a_day=3))
    found = run.fills(range(2021, 2023), [NOW, NOW + HOUR_MS, NOW + DAY_MS])
    assert [(filled.kept, filled.left) for filled, _ in found] == [(3, 1), (0, 1), (1, 0)]


def test_a_service_that_stumbles_is_asked_again_after_growing_pauses_and_then_left(tmp_path: Path) -> None:
    run = Run(tmp_path, lambda _: Reply(status="500 Oh"))
    filled, _ = run.fill(range(2022, 2023))
    assert (filled.kept, filled.left) == (0, 2)
    times = [one.at_ms for one in run.served.asked]
    gaps = [(after - before) / MINUTE_MS for before, after in pairwise(times)]
    assert [5 <= gaps[0] < 6.3, 10 <= gaps[1] < 12.6, 20 <= gaps[2] < 25.1] == [True] * 3
    assert len(gaps) == 3


def test_a_place_the_service_does_not_know_costs_itself_alone(tmp_path: Path) -> None:
    run = Run(
        tmp_path, lambda asked: Reply(status="404 No") if asked.query["latitude"] == "53.5000" else archive(asked)
    )
    filled, _ = run.fill(range(2022, 2023))
    assert filled.kept == 1
    assert [wanted for wanted, _ in filled.refused] == [Wanted(NODES[0], 2022)]


def test_an_answer_without_irradiance_is_none(tmp_path: Path) -> None:
    def empty(asked: Asked) -> Reply:
        ends = range(year_bounds(2022)[0] + HOUR_MS, year_bounds(2022)[1] + 1, HOUR_MS)
        return Reply(keyed_body({end: {"ghi": None} for end in ends}, ("ghi",)))

    run = Run(tmp_path, empty)
    ((_, error),) = run.fill(range(2022, 2023), nodes=NODES[:1])[0].refused
    assert "no irradiance of 2022" in str(error)
    assert run.store.kinds(NODES[0]) == []


def test_days_that_repeat_the_day_before_are_no_sunshine_of_theirs(tmp_path: Path) -> None:
    first_ms = year_bounds(2022)[0]
    third_ms = first_ms + 3 * DAY_MS

    def answer(_: Asked) -> Reply:
        ends = range(first_ms + HOUR_MS, third_ms + DAY_MS + 1, HOUR_MS)
        told = {end: end - DAY_MS * (end > third_ms) for end in ends}
        rows = {end: {"ghi": sun(of), "temp_air": of // HOUR_MS % 97 / 10} for end, of in told.items()}
        return Reply(keyed_body(rows, ("ghi", "temp_air")))

    run = Run(tmp_path, answer)
    run.fill(range(2022, 2023), nodes=NODES[:1])
    found = kept_sunshine(run.store, 53.5, -1.5, third_ms - DAY_MS, third_ms + DAY_MS)
    assert np.isfinite(found.ghi[:24]).all()
    assert np.isnan(found.ghi[24 + 10 : 24 + 15]).all(), "noon of the day that is the day before again"


@pytest.mark.parametrize("shape", [WeatherShape.HOURLY_COLUMNS, WeatherShape.PLAIN])
def test_the_other_shapes_of_answers_serve_as_well(tmp_path: Path, shape: WeatherShape) -> None:
    first_ms = year_bounds(2022)[0]
    period_ms = HOUR_MS if shape is WeatherShape.HOURLY_COLUMNS else HOUR_MS // 4
    rows = {
        end: {"ghi": sun(-(-end // HOUR_MS) * HOUR_MS), "temp_air": 9.0}
        for end in range(first_ms + period_ms, first_ms + 3 * DAY_MS + 1, period_ms)
    }
    body = hourly_body(rows) if shape is WeatherShape.HOURLY_COLUMNS else plain_body(rows, NOW, 900)
    run = Run(tmp_path, lambda _: Reply(body))
    run.shape = shape
    assert run.fill(range(2022, 2023), nodes=NODES[:1])[0].kept == 1
    kept = run.store.year(NODES[0], Kind(2022, "satellite"))
    assert kept is not None
    assert kept.known() == 72
