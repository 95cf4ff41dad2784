"""Weather in the daemon: what the files may say of it, what is taken up after a restart, who hears of an outage."""

from __future__ import annotations

import asyncio
import email
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.collect.weather.served import Asked, Reply, Served
from tests.collect.weather.test_weather_feed import NOON, willing
from watcher.clock import SteppedClock
from watcher.collect.collectors import Collected, WeatherCollector
from watcher.collect.weather.manners import Limits
from watcher.config import load_site, load_watcher
from watcher.daemon import Daemon
from watcher.domain.errors import SetupError
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS
from watcher.domain.site import WeatherShape
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files, assemble

WATCHER = """
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "Watch <watch@firm.example>"
folder = "mails"
[operator]
email = "operator@firm.example"
"""
SITE = """
[site]
name = "12 Example Road"
latitude_deg = 53.4321
longitude_deg = -1.4987
altitude_m = 25
zone = "Europe/London"

[[array]]
id = "south"
tilt_deg = 35
azimuth_deg = 175
peak_power_w = 2400
input = "inverter-1.input-1"

[[inverter]]
id = "inverter-1"
ac_limit_w = 3680

[[source]]
kind = "modbus-tcp"
device = "inverter-1"
address = "127.0.0.1:1"
every_s = 3600
"""


def weather(address: str = "https://weather.example.org/v1", **words: object) -> str:
    """A weather source; a word given as None is left out."""
    told: dict[str, object] = {"period_s": 3600, "every_s": 3600, "label": '"mean-ending"', **words}
    lines = [f"{name} = {value}" for name, value in told.items() if value is not None]
    return (
        "\n".join(['[[source]]\nkind = "weather"\ndevice = "weather-nowcast"', f'address = "{address}"', *lines]) + "\n"
    )


class Nobody:
    """Judges nothing."""

    async def judge(self, sites: Sequence[str]) -> None:
        pass

    async def close(self) -> None:
        pass


def run_daemon(folder: Path, answer: Callable[[Asked], Reply], hours: float, sites: int = 1, words: str = "") -> Served:
    """Let the daemon watch homes of one cell for some hours of stepped time."""
    served = Served(answer)

    async def run() -> None:
        async with served.listening():
            (folder / "sites").mkdir(exist_ok=True)
            for number in range(sites):
                (folder / "sites" / f"home-{number}.toml").write_text(SITE + weather(served.address))
            (folder / "watcher.toml").write_text(WATCHER + words)

            async def told(now_ms: int) -> None:
                served.now_ms = now_ms

            clock = SteppedClock(NOON, before_step=told)
            daemon = Daemon(replace(assemble(folder / "watcher.toml", clock), judge=Nobody()))

            async def end() -> None:
                await clock.sleep_until(hours * 3600)
                daemon.stop.set()
                clock.leave()

            clock.join()
            ending = asyncio.create_task(end())
            await daemon.run()
            await ending

    asyncio.run(run())
    return served


def notices(folder: Path) -> list[str]:
    letters = [email.message_from_bytes(file.read_bytes()) for file in sorted((folder / "mails").glob("*.eml"))]
    return [str(letter["Subject"]) for letter in letters]


@pytest.mark.slow
def test_case_f6_the_operator_hears_once_of_an_outage_that_lasts_however_many_sites_it_leaves_blind(
    tmp_path: Path,
) -> None:
    def down(asked: Asked) -> Reply:
        return Reply(status="503 Service Unavailable")

    run_daemon(tmp_path, down, hours=2.5, sites=3, words="[weather]\nsilent_hours = 2\n")
    (subject,) = notices(tmp_path)
    assert subject.startswith("No sunshine from 127.0.0.1 since 2026-06-21T12:")


@pytest.mark.slow
def test_a_daemon_started_anew_goes_on_where_the_store_ends(tmp_path: Path) -> None:
    served = run_daemon(tmp_path, willing, hours=2.05, sites=2)
    assert len(served.asked) == 3  # at once, and at the cell's own offset in each hour
    stored: list[list[int]] = []
    with SqliteReadings.open_reader(Files(tmp_path / "data").readings) as readings:
        for site in ("home-0", "home-1"):
            window = readings.window(site, ["weather-nowcast.ghi"], 0, 2**50, 2**50)
            stored.append(list(window["weather-nowcast.ghi"].time_ms))
    assert stored[0] == stored[1] == list(range(NOON - 2 * DAY_MS + HOUR_MS, NOON + HOUR_MS + 1, HOUR_MS))
    parts = assemble(tmp_path / "watcher.toml", SteppedClock(NOON + 125 * MINUTE_MS))
    weather_collectors = [one for one in parts.collectors if isinstance(one, WeatherCollector)]

    async def turn() -> list[Collected]:
        return [await one.collect(NOON + 125 * MINUTE_MS, 0.0) for one in weather_collectors]

    # What the store has is not brought again, and the answer kept on disk saves the question: nobody listens any more.
    assert [collected.readings for collected in asyncio.run(turn())] == [(), ()]
    assert [one.trouble for one in weather_collectors] == [None, None]
    parts.readings.close()
    parts.ledger.close()


def test_what_the_site_file_says_of_a_service_is_read() -> None:
    text = SITE + weather(shape='"date-keyed"', grid_deg=0.5)
    (_, source) = load_site(text, "home-1.toml", "home-1").base.sources
    assert (source.shape, source.grid_deg, source.period_s) == (WeatherShape.DATE_KEYED, 0.5, 3600)
    (_, source) = load_site(SITE + weather(), "home-1.toml", "home-1").base.sources
    assert (source.shape, source.grid_deg) == (WeatherShape.PLAIN, 0.05)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"shape": '"csv"'}, 'must be one of "plain", "hourly-columns", "date-keyed"'),
        ({"grid_deg": 0}, "must be 0.001 to 5 (degrees between two points of the service's grid)"),
        ({"shape": '"hourly-columns"', "period_s": 900}, "must be 3600: answers of the shape hourly-columns are means"),
        ({"label": None, "period_s": None}, "what a weather service tells are means"),
    ],
)
def test_what_cannot_be_said_of_a_service_is_refused(words: dict[str, object], message: str) -> None:
    with pytest.raises(SetupError) as caught:
        load_site(SITE + weather(**words), "home-1.toml", "home-1")
    assert message in str(caught.value)
    assert len(caught.value.problems) == 1


def test_the_watcher_file_sets_the_limits(tmp_path: Path) -> None:
    file = tmp_path / "watcher.toml"
    file.write_text(WATCHER)
    config = load_watcher(file, {})
    assert (config.weather.limits, config.weather.silent_hours) == (Limits(1.0, 1000), 6.0)
    file.write_text(WATCHER + "[weather]\ncalls_a_day = 50\nspacing_s = 2.5\nsilent_hours = 12\n")
    config = load_watcher(file, {})
    assert (config.weather.limits, config.weather.silent_hours) == (Limits(2.5, 50), 12.0)
