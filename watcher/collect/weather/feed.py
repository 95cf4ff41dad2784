"""One channel of one cell of a service: asked once for all the sites in it.

Rule: an answer is believed only where it says something new. One that was made no later than the one before, or that
repeats the day before under new times, is a frozen service (case F6): no readings, and an error that says so. What was
believed before stays, and is kept on disk for the next start.
"""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress
from dataclasses import dataclass

from watcher.collect.weather.answer import DOING, WeatherAnswer
from watcher.collect.weather.client import AskLaterError
from watcher.collect.weather.manners import FIRST_PAUSE_MS, LONGEST_PAUSE_MS, NotNow, pause_ms, share, turn_ms
from watcher.collect.weather.question import Cell
from watcher.collect.weather.repeats import repeats
from watcher.collect.weather.service import Service
from watcher.collect.weather.shapes import SHAPES
from watcher.collect.weather.shelf import Kept, Shelf
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import DAY_MS, iso
from watcher.domain.reading import Reading
from watcher.domain.site import WeatherShape

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Told:
    """readings: of the newest answer that is believed. error: why there is none newer; None where all is well"""

    readings: tuple[Reading, ...]
    error: CollectError | None


@dataclass(frozen=True, slots=True)
class Topic:
    """What a feed is about; two sites with the same one share it. period_s: what its values must be means of"""

    address: str
    shape: WeatherShape
    device: str
    cell: Cell
    period_s: float

    def __str__(self) -> str:
        return f"{self.address} {self.shape} {self.device} {self.cell} {self.period_s:g}"


class Feed:
    """seed: decides at which offset inside every_s it asks. refused: values left out because they can't be"""

    def __init__(self, topic: Topic, service: Service, shelf: Shelf, every_s: float, seed: str) -> None:
        self.topic, self.every_s = topic, every_s
        self.refused = 0
        self._service, self._shelf, self._seed = service, shelf, seed
        self._wants: dict[str, int] = {}
        self._readings: tuple[Reading, ...] = ()
        self._generated_ms: int | None = None
        self._asked_ms = self._from_ms = self._pause_until_ms = self._failures = 0
        self._asking = False
        self._error: CollectError | None = None
        if (kept := shelf.answer(str(topic))) is not None:
            self._remember(kept)

    async def newest(self, site: str, from_ms: int, until_ms: int, now_ms: int) -> Told:
        """What is known for the periods that end in (from_ms, until_ms]; asks the service where it is time to.

        Never waits its turn: who comes while it may not be asked, or while another's question is under way, is told
        what is known already.
        """
        self._wants[site] = from_ms
        if not self._asking and self._due(now_ms):
            match self._service.not_now(now_ms):
                case None:
                    await self._ask(until_ms, now_ms)
                case NotNow.SPENT:
                    why = f"the day's {self._service.limits.calls_a_day} questions are asked"
                    self._say(CollectError(self.topic.device, DOING, Remedy.RETRY, why))
                case NotNow.SPACING | NotNow.TOLD:
                    pass
        return Told(self._readings, self._error)

    def _due(self, now_ms: int) -> bool:
        if now_ms < self._pause_until_ms <= now_ms + 2 * DAY_MS:  # longer, and the clock has been put back
            return False
        # An answer from the future was kept before the clock was put right.
        stale = not turn_ms(now_ms, round(self.every_s * 1000), self._seed) <= self._asked_ms <= now_ms
        return stale or min(self._wants.values()) < self._from_ms

    async def _ask(self, until_ms: int, now_ms: int) -> None:
        from_ms, topic = min(self._wants.values()), self.topic
        self._asking = True
        try:
            question = SHAPES[topic.shape].question(topic.cell, from_ms, until_ms)
            kept = Kept(now_ms, from_ms, until_ms, await self._service.ask(question, topic.device, now_ms))
            error = self._take(kept)
        except CollectError as failed:
            self._failures += 1
            self._pause_until_ms = now_ms + self._pause_ms(failed)
            self._say(failed)
        else:
            self._failures = self._pause_until_ms = 0
            self._say(error)
            await asyncio.to_thread(self._shelf.keep_answer, str(topic), kept)
        finally:
            self._asking = False

    def _pause_ms(self, error: CollectError) -> int:
        if isinstance(error, AskLaterError):
            return round(error.wait_s * 1000 + share(self._seed) * FIRST_PAUSE_MS)
        if error.remedy is Remedy.RETRY:
            return pause_ms(self._failures, self._seed)
        return LONGEST_PAUSE_MS  # only a person can help, and may be about to

    def _take(self, kept: Kept) -> CollectError | None:
        """Believe an answer as far as it can be. CollectError raised: not at all; returned: the rest is."""
        topic = self.topic
        answer = SHAPES[topic.shape].parse(kept.body, topic.device)
        if answer.period_s != topic.period_s:
            why = f"it gives means over {answer.period_s:g} s; the site file says period_s = {topic.period_s:g}"
            raise CollectError(topic.device, DOING, Remedy.FIX_SETUP, why)
        self._check_new(answer, kept.asked_ms)
        frozen = repeats(answer.readings)
        self.refused += len(answer.refused)
        self._readings = tuple(reading for reading in answer.readings if reading.time_ms not in frozen.ends)
        self._generated_ms = answer.generated_ms
        self._asked_ms, self._from_ms = kept.asked_ms, kept.from_ms
        if frozen.since_ms is None:
            return None
        why = f"since {iso(frozen.since_ms)} it repeats the values of the day before"
        return CollectError(topic.device, DOING, Remedy.RETRY, why)

    def _check_new(self, answer: WeatherAnswer, asked_ms: int) -> None:
        before = self._generated_ms
        if answer.generated_ms is None or before is None or asked_ms - self._asked_ms < self.topic.period_s * 1000:
            return
        if answer.generated_ms <= before:
            why = f"it still gives the answer it made at {iso(answer.generated_ms)}"
            raise CollectError(self.topic.device, DOING, Remedy.RETRY, why)

    def _remember(self, kept: Kept) -> None:
        with suppress(CollectError):  # kept by a former version or setup: it is asked for again
            self._error = self._take(kept)

    def _say(self, error: CollectError | None) -> None:
        """One line in the log when it goes wrong, one when it is well again."""
        if error is not None and self._error is None:
            log.warning("weather-down topic=%s remedy=%s error=%s", self.topic, error.remedy, error)
        elif error is None and self._error is not None:
            log.info("weather-up topic=%s", self.topic)
        self._error = error
