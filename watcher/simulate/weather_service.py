"""A weather service for the home's place: means over quarters of an hour, as a provider would tell them.

Rule: what it tells is the true sky with an error of its own, and never a period that has not ended. `GET /irradiance`
answers the periods whose end lies in (from, until].
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from http import HTTPStatus
from urllib.parse import parse_qs, urlsplit

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, iso, parse_iso
from watcher.simulate.faults import FaultKind
from watcher.simulate.noise import Noise
from watcher.simulate.sky import SkyModel
from watcher.simulate.world import World

PERIOD_MS = 15 * MINUTE_MS
NAMES = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
_NEAR_DEG = 0.5
_LONGEST_MS = 40 * DAY_MS


@dataclass(frozen=True, slots=True)
class Answer:
    status: HTTPStatus
    body: dict[str, object]
    retry_after_s: int = 0


class WeatherService:
    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        self._error = Noise(seed, "weather/error")
        self._bias = Noise(seed, "weather/bias")
        self._periods: dict[int, tuple[float, ...]] = {}
        self._server: asyncio.Server | None = None

    async def start(self) -> int:
        """Listen on loopback; return the port."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    def answer(self, target: str) -> Answer:
        """The answer to one request for a path with its query."""
        parts = urlsplit(target)
        if parts.path != "/irradiance":
            return _refusal(HTTPStatus.NOT_FOUND, "there is nothing here but /irradiance")
        down = self._world.active(FaultKind.WEATHER_DOWN)
        if down:
            return Answer(HTTPStatus.SERVICE_UNAVAILABLE, {"error": "down for maintenance"}, down[0].retry_after_s)
        query = {key: values[0] for key, values in parse_qs(parts.query).items()}
        try:
            latitude, longitude = float(query["latitude"]), float(query["longitude"])
            from_ms, until_ms = parse_iso(query["from"]), parse_iso(query["until"])
        except (KeyError, ValueError) as error:
            return _refusal(HTTPStatus.BAD_REQUEST, f"latitude, longitude, from, until are needed: {error!r}")
        site = self._world.scenario.site
        if abs(latitude - site.latitude_deg) > _NEAR_DEG or abs(longitude - site.longitude_deg) > _NEAR_DEG:
            return _refusal(HTTPStatus.NOT_FOUND, "this place is not covered")
        if not 0 <= until_ms - from_ms <= _LONGEST_MS:
            return _refusal(HTTPStatus.BAD_REQUEST, "until lies after from, by 40 days at most")
        return Answer(HTTPStatus.OK, self._told(from_ms, until_ms))

    def told_until(self) -> int:
        """The end of the newest period that is out. [ms]"""
        world = self._world
        delay_ms = round(world.scenario.weather.delay_s * SECOND_MS)
        until = world.now_ms - delay_ms
        for fault in world.active(FaultKind.WEATHER_LATE):
            # What was out when the delay began stays out.
            until = min(until, max(fault.at_ms - delay_ms, world.now_ms - delay_ms - round(fault.hours * HOUR_MS)))
        return until

    def _told(self, from_ms: int, until_ms: int) -> dict[str, object]:
        last = min(until_ms, self.told_until()) // PERIOD_MS * PERIOD_MS
        ends = range((from_ms // PERIOD_MS + 1) * PERIOD_MS, last + 1, PERIOD_MS)
        nulls = [fault for fault in self._world.scenario.faults if fault.kind is FaultKind.WEATHER_NULL]
        rows = [
            (None,) * len(NAMES) if any(fault.active(end - 1) for fault in nulls) else self._period(end) for end in ends
        ]
        return {
            "generated": iso(self._world.now_ms),
            "period_s": PERIOD_MS // SECOND_MS,
            "label": "mean-ending",
            "time": [iso(end) for end in ends],
            **{name: [row[n] for row in rows] for n, name in enumerate(NAMES)},
        }

    def _period(self, end_ms: int) -> tuple[float, ...]:
        found = self._periods.get(end_ms)
        if found is None:
            if len(self._periods) >= 1000:
                self._periods.clear()
            means = _means(self._world.sky, end_ms)
            weather = self._world.scenario.weather
            wrong = weather.noise_percent * self._error.normal(end_ms // PERIOD_MS)
            wrong += weather.bias_percent * (2 * self._bias.uniform(end_ms // DAY_MS) - 1)
            factor = max(0.0, 1 + wrong / 100)
            found = (*(round(value * factor, 1) for value in means[:3]), *(round(value, 1) for value in means[3:]))
            self._periods[end_ms] = found
        return found

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One request to a connection; enough of HTTP/1.1 for that."""
        try:
            head = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), timeout=10)
            words = head.split(b"\r\n", 1)[0].decode("latin-1").split(" ")
            if len(words) == 3 and words[0] == "GET":
                answer = self.answer(words[1])
            else:
                answer = _refusal(HTTPStatus.METHOD_NOT_ALLOWED, "only GET is understood")
            body = json.dumps(answer.body).encode()
            lines = [
                f"HTTP/1.1 {answer.status.value} {answer.status.phrase}",
                "Content-Type: application/json",
                f"Content-Length: {len(body)}",
                "Connection: close",
                *([f"Retry-After: {answer.retry_after_s}"] if answer.retry_after_s else []),
            ]
            writer.write("\r\n".join([*lines, "", ""]).encode() + body)
            await writer.drain()
        except (OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, TimeoutError):
            pass  # the caller went away or never asked: nobody is left to answer
        finally:
            writer.close()


def _means(sky: SkyModel, end_ms: int) -> tuple[float, ...]:
    states = [sky.at(end_ms - PERIOD_MS + MINUTE_MS // 2 + n * MINUTE_MS) for n in range(PERIOD_MS // MINUTE_MS)]
    return tuple(sum(getattr(state, name) for state in states) / len(states) for name in NAMES)


def _refusal(status: HTTPStatus, text: str) -> Answer:
    return Answer(status, {"error": text})
