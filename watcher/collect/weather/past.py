"""Years of past sunshine from a service, one node and year at a time, into what is kept on disk.

Rule: polite and patient. One question at a time and never too soon after the last; a service that asks to be left
alone is left alone; nothing that is kept and settled is asked for again. Stopped anywhere, it goes on from there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from typing import NamedTuple

from watcher.clock import Clock
from watcher.collect.weather.answer import DOING
from watcher.collect.weather.client import AskLaterError
from watcher.collect.weather.manners import NotNow, pause_ms
from watcher.collect.weather.past_source import PastSource
from watcher.collect.weather.question import Cell
from watcher.collect.weather.repeats import repeats
from watcher.collect.weather.service import Service
from watcher.collect.weather.shapes import SHAPES
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import DAY_MS, HOUR_MS, SECOND_MS, floor_day
from watcher.domain.reading import Reading
from watcher.store.sunshine import KeptYear, Kind, Node, SunshineStore, year_bounds, years_of

SETTLED_MS = 60 * DAY_MS
"""After the end of a year an archive may still mend it, days or weeks; what was asked later than this stays."""
AGAIN_MS = DAY_MS
"""A year that is not settled is asked for again after this."""
MOST_FAILURES = 4
"""In a row, after which nothing more is asked in this run: five, ten and twenty minutes have gone by."""
LONGEST_WAIT_MS = 2 * HOUR_MS
"""A service that asks for a longer rest gets it, in another run."""
DEVICE = "past-sunshine"


class Wanted(NamedTuple):
    node: Node
    year: int


class Doing(StrEnum):
    """What is going on."""

    ASKING = "asking"
    WAITING = "waiting"
    KEPT = "kept"
    REFUSED = "refused"  # this node and year cannot be had


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened, for a progress bar. number: of it among all that were wanted, from 1

    until_ms: how long it waits. hours: that are known of the year. error: why not
    """

    doing: Doing
    number: int
    wanted: Wanted
    until_ms: int = 0
    hours: int = 0
    error: CollectError | None = None


@dataclass(slots=True)
class Filled:
    """kept: asked for and put down. left: not asked for in this run, and why"""

    kept: int = 0
    refused: list[tuple[Wanted, CollectError]] = field(default_factory=list)
    left: int = 0
    why: str = ""


def missing(store: SunshineStore, basis: str, nodes: Iterable[Node], years: Iterable[int], now_ms: int) -> list[Wanted]:
    """What is to be asked for: of each node the years that are not kept, or not settled and a day old."""
    wanted = []
    held = list(years)
    for node in nodes:
        for year in held:
            first_ms, next_ms = year_bounds(year)
            if first_ms + DAY_MS > now_ms:
                continue
            kept = store.year(node, Kind(year, basis))
            if kept is None or (kept.told_ms < next_ms + SETTLED_MS and kept.told_ms + AGAIN_MS <= now_ms):
                wanted.append(Wanted(node, year))
    return wanted


async def fill(
    wanted: Sequence[Wanted], source: PastSource, service: Service, store: SunshineStore, clock: Clock,
    told: Callable[[Step], None],
) -> Filled:  # fmt: skip
    """Ask for all that is wanted, in order. StoreError where it cannot be kept."""
    filled, failures, at = Filled(), 0, 0
    while at < len(wanted):
        one, number = wanted[at], at + 1
        if await _turn(service, clock, partial(_waits, told, number, one)):
            filled.left, filled.why = len(wanted) - at, "the service's questions of today are asked, or it needs a rest"
            break
        told(Step(Doing.ASKING, number, one))
        try:
            year = await _ask(one, source, service, clock.now_ms())
        except CollectError as error:
            failures += 1
            if error.remedy is not Remedy.RETRY:
                filled.refused.append((one, error))
                told(Step(Doing.REFUSED, number, one, error=error))
                at += 1
            if failures >= MOST_FAILURES:
                filled.left, filled.why = len(wanted) - at, str(error)
                break
            if error.remedy is Remedy.RETRY and not isinstance(error, AskLaterError):
                until_ms = clock.now_ms() + pause_ms(failures, str(one))
                told(Step(Doing.WAITING, number, one, until_ms, error=error))
                await _sleep(clock, until_ms)
            continue
        failures = 0
        kept = store.keep(one.node, year)
        filled.kept += 1
        told(Step(Doing.KEPT, number, one, hours=kept.known()))
        at += 1
    return filled


def _waits(told: Callable[[Step], None], number: int, one: Wanted, until_ms: int) -> None:
    told(Step(Doing.WAITING, number, one, until_ms))


async def _turn(service: Service, clock: Clock, waits: Callable[[int], None]) -> bool:
    """Wait until the service may be asked; True where that is too long for one run."""
    while (reason := service.not_now(clock.now_ms())) is not None:
        until_ms = service.free_ms(clock.now_ms())
        if reason is NotNow.SPENT or until_ms - clock.now_ms() > LONGEST_WAIT_MS:
            return True
        if reason is not NotNow.SPACING:
            waits(until_ms)
        await _sleep(clock, until_ms)
    return False


async def _sleep(clock: Clock, until_ms: int) -> None:
    await clock.sleep_until(clock.monotonic() + max(until_ms - clock.now_ms(), 1) / 1000)


async def _ask(wanted: Wanted, source: PastSource, service: Service, now_ms: int) -> KeptYear:
    first_ms, next_ms = year_bounds(wanted.year)
    # Whole days that are over: what a service says of hours to come is a forecast.
    until_ms = min(next_ms, floor_day(now_ms))
    shape = SHAPES[source.shape]
    cell = Cell(wanted.node.latitude_deg, wanted.node.longitude_deg)
    answer = shape.parse(await service.ask(shape.question(cell, first_ms, until_ms), DEVICE, now_ms), DEVICE)
    frozen = repeats(answer.readings).ends
    told = [
        (name, end_ms, value)
        for name, end_ms, value in whole_hours(answer.readings, answer.period_s)
        if first_ms < end_ms <= until_ms and end_ms not in frozen
    ]
    years = years_of(told, source.basis, now_ms, service.address)
    if len(years) != 1 or not years[0].known():
        raise CollectError(DEVICE, DOING, Remedy.FIX_SETUP, f"no irradiance of {wanted.year} for {wanted.node}")
    return years[0]


def whole_hours(readings: Iterable[Reading], period_s: float, device: str = DEVICE) -> list[tuple[str, int, float]]:
    """(name, end, mean) of whole hours; shorter periods are put together where all of an hour are there.

    readings: means labelled with the end of their period. CollectError for periods that do not make up an hour.
    """
    parts = round(HOUR_MS / (period_s * SECOND_MS)) if period_s > 0 else 0
    if parts < 1 or abs(parts * period_s - 3600) > 1e-6:
        why = f"it gives means over {period_s:g} s, which do not make up an hour"
        raise CollectError(device, DOING, Remedy.FIX_SETUP, why)
    by_hour: dict[tuple[str, int], list[float]] = {}
    for reading in readings:
        if reading.time_ms % round(period_s * SECOND_MS) == 0:
            end_ms = -(-reading.time_ms // HOUR_MS) * HOUR_MS
            by_hour.setdefault((reading.channel.rpartition(".")[2], end_ms), []).append(reading.value)
    return [(name, end_ms, sum(held) / parts) for (name, end_ms), held in by_hour.items() if len(held) == parts]
