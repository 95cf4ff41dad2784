"""The weather client against the simulated service, and against services that misbehave."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

import watcher.simulate
from watcher import __version__
from watcher.collect.weather.client import AskLaterError, WeatherService
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.simulate import weather_service
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.world import World

START = parse_iso("2026-06-08T00:00Z")
NOON = START + 12 * HOUR_MS
DEMO = Path(watcher.simulate.__file__).parent / "scenarios" / "demo.toml"


def simulated(faults: str, use: Callable[[World, WeatherService], Awaitable[None]]) -> None:
    """Let a client use the real service of the demo's home, with these faults added to its script."""
    text = DEMO.read_text(encoding="utf-8").split("[[fault]]")[0] + faults
    world = World(1, START, parse_scenario(text, "demo.toml"))

    async def run() -> None:
        service = weather_service.WeatherService(world, 1)
        port = await service.start()
        try:
            await use(world, WeatherService(f"http://127.0.0.1:{port}/", 53.4, -1.5))
        finally:
            await service.stop()

    asyncio.run(run())


def fetch_from(
    answer: bytes, *, path: str = "", timeout_s: float = 5, pause_s: float = 0
) -> tuple[list[Reading], bytes]:
    """What a client makes of a server that answers every request with these bytes, and what it was asked."""
    asked = b""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal asked
        asked = await reader.readuntil(b"\r\n\r\n")
        try:
            for byte in [answer] if not pause_s else [answer[n : n + 1] for n in range(len(answer))]:
                writer.write(byte)
                await writer.drain()
                await asyncio.sleep(pause_s)
        except OSError:
            pass  # the client has given up, as it should
        finally:
            writer.close()

    async def run() -> list[Reading]:
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with server:
            port = server.sockets[0].getsockname()[1]
            client = WeatherService(f"http://127.0.0.1:{port}{path}", 53.4, -1.5, timeout_s=timeout_s)
            return await client.fetch(START, NOON)

    return asyncio.run(run()), asked


def http(status: str, *headers: str, body: bytes = b"") -> bytes:
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", "Connection: close", *headers]
    return "\r\n".join([*lines, "", ""]).encode() + body


def test_the_readings_of_the_simulated_service_arrive() -> None:
    async def use(world: World, client: WeatherService) -> None:
        world.advance(NOON + 7 * MINUTE_MS)
        readings = await client.fetch(NOON - HOUR_MS, NOON + HOUR_MS)
        assert {reading.channel for reading in readings} == {
            f"weather-nowcast.{name}" for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")
        }
        ghi = [reading for reading in readings if reading.channel.endswith(".ghi")]
        assert [reading.time_ms for reading in ghi] == [NOON - n * 15 * MINUTE_MS for n in (3, 2, 1, 0)]
        assert all(600 < reading.value < 1000 for reading in ghi)
        assert await client.fetch(NOON, NOON) == []
        assert client.refused == 0

    simulated("", use)


def test_case_f6_a_service_that_is_down_is_asked_again_when_it_says() -> None:
    async def use(world: World, client: WeatherService) -> None:
        world.advance(NOON)
        with pytest.raises(AskLaterError, match="503 Service Unavailable; asks to wait 600 s") as caught:
            await client.fetch(START, NOON)
        assert (caught.value.wait_s, caught.value.remedy) == (600, Remedy.RETRY)
        world.advance(NOON + HOUR_MS)
        assert await client.fetch(START, NOON)

    simulated(
        "[[fault]]\nkind = 'weather-down'\nretry_after_s = 600\n"
        "at = 2026-06-08T12:00:00Z\nuntil = 2026-06-08T13:00:00Z\n",
        use,
    )


def test_case_f6_missing_values_are_no_readings() -> None:
    async def use(world: World, client: WeatherService) -> None:
        world.advance(NOON + 2 * HOUR_MS)
        readings = await client.fetch(NOON - HOUR_MS, NOON + 2 * HOUR_MS)
        times = {reading.time_ms for reading in readings}
        assert len(times) == 8
        assert not [time for time in times if NOON < time <= NOON + HOUR_MS]

    simulated(
        "[[fault]]\nkind = 'weather-null'\nat = 2026-06-08T12:00:00Z\nuntil = 2026-06-08T13:00:00Z\n",
        use,
    )


def test_a_late_service_gives_what_it_has() -> None:
    async def use(world: World, client: WeatherService) -> None:
        world.advance(NOON + HOUR_MS)
        newest = max(reading.time_ms for reading in await client.fetch(START, NOON + HOUR_MS))
        assert newest == NOON

    simulated("[[fault]]\nkind = 'weather-late'\nhours = 3\nat = 2026-06-08T12:00:00Z\n", use)


def test_it_says_who_it_is_and_what_it_wants() -> None:
    empty = b'{"generated":"2026-06-08T12:00:00Z","period_s":900,"label":"mean-ending","time":[],"ghi":[],"dni":[],'
    empty += b'"dhi":[],"temp_air":[],"wind_speed":[]}'
    readings, asked = fetch_from(http("200 OK", body=empty), path="/v1/")
    assert readings == []
    head = asked.decode()
    assert head.startswith("GET /v1/irradiance?latitude=53.4000&longitude=-1.5000&from=2026-06-08T00%3A00%3A00Z&until=")
    assert f"User-Agent: pv-watcher/{__version__}\r\n" in head


@pytest.mark.parametrize(
    ("answer", "remedy", "message"),
    [
        pytest.param(http("404 Not Found"), Remedy.FIX_SETUP, "404 Not Found; is the address right", id="not found"),
        pytest.param(http("401 Unauthorized"), Remedy.FIX_SETUP, "401", id="not allowed"),
        pytest.param(http("302 Found", "Location: /x"), Remedy.FIX_SETUP, "302", id="moved"),
        pytest.param(http("500 Internal Server Error"), Remedy.RETRY, "500", id="broken"),
        pytest.param(http("503 Busy"), Remedy.RETRY, "503", id="down without a word"),
        pytest.param(http("503 Busy", "Retry-After: soon"), Remedy.RETRY, "503", id="down, wait unreadable"),
        pytest.param(http("200 OK", body=b"<html>"), Remedy.RETRY, "no JSON", id="a page"),
        pytest.param(http("200 OK", body=b"{}"), Remedy.FIX_SETUP, "it lacks", id="another service"),
        pytest.param(http("200 OK", body=b"{}")[:-1], Remedy.RETRY, "incomplete", id="cut off"),
        pytest.param(b"SSH-2.0-something\r\n\r\n", Remedy.RETRY, "weather-nowcast: asking", id="another protocol"),
        pytest.param(b"", Remedy.RETRY, "weather-nowcast: asking", id="hung up"),
        pytest.param(http("200 OK", body=b" " * 5_000_000), Remedy.FIX_SETUP, "longer than", id="endless"),
    ],
)
def test_whatever_goes_wrong_is_an_error_in_words(answer: bytes, remedy: Remedy, message: str) -> None:
    with pytest.raises(CollectError) as caught:
        fetch_from(answer)
    assert message.lower() in str(caught.value).lower()
    assert caught.value.remedy is remedy
    assert not isinstance(caught.value, AskLaterError)


@pytest.mark.parametrize(
    ("headers", "wait_s"),
    [
        pytest.param(["Retry-After: 120"], 120, id="seconds"),
        pytest.param(["Retry-After: 99999999"], 86_400, id="no longer than a day"),
        pytest.param(
            ["Date: Mon, 08 Jun 2026 12:00:00 GMT", "Retry-After: Mon, 08 Jun 2026 12:05:00 GMT"], 300, id="a date"
        ),
        pytest.param(
            ["Date: Mon, 08 Jun 2026 12:00:00 GMT", "Retry-After: Mon, 08 Jun 2026 11:00:00 GMT"],
            0,
            id="a date gone by",
        ),
    ],
)
@pytest.mark.parametrize("status", ["429 Too Many Requests", "503 Service Unavailable"])
def test_the_wait_it_is_told_is_passed_on(status: str, headers: list[str], wait_s: float) -> None:
    with pytest.raises(AskLaterError) as caught:
        fetch_from(http(status, *headers))
    assert caught.value.wait_s == wait_s


def test_a_service_that_drips_is_given_up_on() -> None:
    with pytest.raises(CollectError, match=r"no whole answer within 0\.4 s|timed out") as caught:
        fetch_from(http("200 OK", body=b" " * 5000), timeout_s=0.4, pause_s=0.005)
    assert caught.value.remedy is Remedy.RETRY


@pytest.mark.parametrize(
    ("base_url", "remedy"),
    [
        ("http://127.0.0.1:1", Remedy.RETRY),
        ("http://127.0.0.1:99999", Remedy.FIX_SETUP),
        ("ftp://127.0.0.1", Remedy.FIX_SETUP),
        ("http://[::1", Remedy.FIX_SETUP),
        ("nonsense", Remedy.FIX_SETUP),
        ("", Remedy.FIX_SETUP),
        ("http://" + "a" * 70 + ".example", Remedy.FIX_SETUP),
    ],
)
def test_a_wrong_address_is_an_error_in_words(base_url: str, remedy: Remedy) -> None:
    with pytest.raises(CollectError) as caught:
        asyncio.run(WeatherService(base_url, 53.4, -1.5, timeout_s=2).fetch(START, NOON))
    assert caught.value.remedy is remedy
