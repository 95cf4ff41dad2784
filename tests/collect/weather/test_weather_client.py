"""The weather client against the simulated service, and against services that misbehave."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

import watcher.simulate
from watcher import __version__
from watcher.collect.weather.client import UNSAID_WAIT_S, AskLaterError, WeatherClient
from watcher.collect.weather.plain import parse, question
from watcher.collect.weather.question import Cell, Question
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.simulate import weather_service
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.world import World

START = parse_iso("2026-06-08T00:00Z")
NOON = START + 12 * HOUR_MS
DEMO = Path(watcher.simulate.__file__).parent / "scenarios" / "demo.toml"
DEVICE = "weather-nowcast"
HERE = Cell(53.4, -1.5)
MORNING = question(HERE, START, NOON)

Fetch = Callable[[int, int], Awaitable[list[Reading]]]


def simulated(faults: str, use: Callable[[World, Fetch], Awaitable[None]]) -> None:
    """Let a client use the real service of the demo's home, with these faults added to its script."""
    text = DEMO.read_text(encoding="utf-8").split("[[fault]]")[0] + faults
    world = World(1, START, parse_scenario(text, "demo.toml"))

    async def run() -> None:
        service = weather_service.WeatherService(world, 1)
        port = await service.start()
        client = WeatherClient(f"http://127.0.0.1:{port}/")

        async def fetch(from_ms: int, until_ms: int) -> list[Reading]:
            return list(parse(await client.ask(question(HERE, from_ms, until_ms), DEVICE), DEVICE).readings)

        try:
            await use(world, fetch)
        finally:
            client.close()
            await service.stop()

    asyncio.run(run())


def answer_from(
    answer: bytes, *, path: str = "", asked_for: Question = MORNING, timeout_s: float = 5, pause_s: float = 0
) -> tuple[bytes, bytes]:
    """What a client gets from a server that answers every request with these bytes, and what it was asked."""
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

    async def run() -> bytes:
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with server:
            port = server.sockets[0].getsockname()[1]
            client = WeatherClient(f"http://127.0.0.1:{port}{path}", timeout_s=timeout_s)
            try:
                return await client.ask(asked_for, DEVICE)
            finally:
                client.close()

    return asyncio.run(run()), asked


def http(status: str, *headers: str, body: bytes = b"") -> bytes:
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", "Connection: close", *headers]
    return "\r\n".join([*lines, "", ""]).encode() + body


def test_the_readings_of_the_simulated_service_arrive() -> None:
    async def use(world: World, fetch: Fetch) -> None:
        world.advance(NOON + 7 * MINUTE_MS)
        readings = await fetch(NOON - HOUR_MS, NOON + HOUR_MS)
        assert {reading.channel for reading in readings} == {
            f"weather-nowcast.{name}" for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")
        }
        ghi = [reading for reading in readings if reading.channel.endswith(".ghi")]
        assert [reading.time_ms for reading in ghi] == [NOON - n * 15 * MINUTE_MS for n in (3, 2, 1, 0)]
        assert all(600 < reading.value < 1000 for reading in ghi)
        assert await fetch(NOON, NOON) == []

    simulated("", use)


def test_case_f6_a_service_that_is_down_is_asked_again_when_it_says() -> None:
    async def use(world: World, fetch: Fetch) -> None:
        world.advance(NOON)
        with pytest.raises(AskLaterError, match="503 Service Unavailable; asks to wait 600 s") as caught:
            await fetch(START, NOON)
        assert (caught.value.wait_s, caught.value.remedy) == (600, Remedy.RETRY)
        world.advance(NOON + HOUR_MS)
        assert await fetch(START, NOON)

    simulated(
        "[[fault]]\nkind = 'weather-down'\nretry_after_s = 600\n"
        "at = 2026-06-08T12:00:00Z\nuntil = 2026-06-08T13:00:00Z\n",
        use,
    )


def test_case_f6_missing_values_are_no_readings() -> None:
    async def use(world: World, fetch: Fetch) -> None:
        world.advance(NOON + 2 * HOUR_MS)
        readings = await fetch(NOON - HOUR_MS, NOON + 2 * HOUR_MS)
        times = {reading.time_ms for reading in readings}
        assert len(times) == 8
        assert not [time for time in times if NOON < time <= NOON + HOUR_MS]

    simulated(
        "[[fault]]\nkind = 'weather-null'\nat = 2026-06-08T12:00:00Z\nuntil = 2026-06-08T13:00:00Z\n",
        use,
    )


def test_a_late_service_gives_what_it_has() -> None:
    async def use(world: World, fetch: Fetch) -> None:
        world.advance(NOON + HOUR_MS)
        newest = max(reading.time_ms for reading in await fetch(START, NOON + HOUR_MS))
        assert newest == NOON

    simulated("[[fault]]\nkind = 'weather-late'\nhours = 3\nat = 2026-06-08T12:00:00Z\n", use)


def test_it_says_who_it_is_and_what_it_wants() -> None:
    body, asked = answer_from(http("200 OK", body=b"{}"), path="/v1/")
    assert body == b"{}"
    head = asked.decode()
    assert head.startswith("GET /v1/irradiance?latitude=53.4000&longitude=-1.5000&from=2026-06-08T00%3A00%3A00Z&until=")
    assert f"User-Agent: pv-watcher/{__version__}\r\n" in head


def test_a_question_without_a_path_goes_to_the_address_itself() -> None:
    _, asked = answer_from(http("200 OK"), path="/v1/forecast", asked_for=Question("", {"hourly": "a,b"}))
    assert asked.startswith(b"GET /v1/forecast?hourly=a%2Cb HTTP/1.1\r\n")


@pytest.mark.parametrize(
    ("answer", "remedy", "message"),
    [
        pytest.param(http("404 Not Found"), Remedy.FIX_SETUP, "404 Not Found; are address and", id="not found"),
        pytest.param(http("401 Unauthorized"), Remedy.FIX_SETUP, "401", id="not allowed"),
        pytest.param(http("302 Found", "Location: /x"), Remedy.FIX_SETUP, "302", id="moved"),
        pytest.param(http("500 Internal Server Error"), Remedy.RETRY, "500", id="broken"),
        pytest.param(http("503 Busy"), Remedy.RETRY, "503", id="down without a word"),
        pytest.param(http("503 Busy", "Retry-After: soon"), Remedy.RETRY, "503", id="down, wait unreadable"),
        pytest.param(http("200 OK", body=b"{}")[:-1], Remedy.RETRY, "incomplete", id="cut off"),
        pytest.param(b"SSH-2.0-something\r\n\r\n", Remedy.RETRY, "weather-nowcast: asking", id="another protocol"),
        pytest.param(b"", Remedy.RETRY, "weather-nowcast: asking", id="hung up"),
        pytest.param(http("200 OK", body=b" " * 5_000_000), Remedy.FIX_SETUP, "longer than", id="endless"),
    ],
)
def test_whatever_goes_wrong_is_an_error_in_words(answer: bytes, remedy: Remedy, message: str) -> None:
    with pytest.raises(CollectError) as caught:
        answer_from(answer)
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
        answer_from(http(status, *headers))
    assert caught.value.wait_s == wait_s


@pytest.mark.parametrize("headers", [[], ["Retry-After: soon"]])
def test_case_f6_4_a_service_asked_too_often_that_names_no_time_is_left_alone_all_the_same(
    headers: list[str],
) -> None:
    with pytest.raises(AskLaterError, match="429") as caught:
        answer_from(http("429 Too Many Requests", *headers))
    assert caught.value.wait_s == UNSAID_WAIT_S


def test_a_service_that_drips_is_given_up_on() -> None:
    with pytest.raises(CollectError, match=r"no whole answer within 0\.4 s|timed out") as caught:
        answer_from(http("200 OK", body=b" " * 5000), timeout_s=0.4, pause_s=0.005)
    assert caught.value.remedy is Remedy.RETRY


@pytest.mark.parametrize(
    ("address", "remedy"),
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
def test_a_wrong_address_is_an_error_in_words(address: str, remedy: Remedy) -> None:
    with pytest.raises(CollectError) as caught:
        asyncio.run(WeatherClient(address, timeout_s=2).ask(MORNING, DEVICE))
    assert caught.value.remedy is remedy
