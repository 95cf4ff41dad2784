"""From a device that publishes to readings in the store, by the whole daemon that the files make."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.collect.mqtt.broker import PATIENCE_S, Broker, Device, free_port
from tests.collect.mqtt.played import DATED, HEAD
from tests.config.test_pulse_lines import site_with
from watcher.collect.mqtt import collector as module
from watcher.collect.mqtt.collector import MqttCollector
from watcher.daemon import Daemon
from watcher.domain.instant import MINUTE_MS, iso
from watcher.domain.reading import Reading
from watcher.store.readings import SqliteReadings
from watcher.wiring import assemble

WATCHER = """
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "watch@installer.example.org"
folder = "mails"
[operator]
email = "operator@installer.example.org"
[clock]
wait_for_time = "never"
"""
POWER, ENERGY = "meter-9.ac_power", "meter-9.ac_energy"


@pytest.fixture
def watcher_file(tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home whose second meter publishes as home7/pv."""
    monkeypatch.setattr(module, "TURN_S", 0.1)
    for folder in ("sites", "topics"):
        (tmp_path / folder).mkdir()
    source = f'\n[[source]]\nkind = "mqtt"\ndevice = "meter-9"\naddress = "{broker.address}"\nmap = "invented"\n'
    site = site_with(source + 'topic = "home7"\n').replace("10.0.0.5:502", f"127.0.0.1:{free_port()}")
    (tmp_path / "sites" / "home-1.toml").write_text(site, encoding="utf-8")
    (tmp_path / "topics" / "invented.toml").write_text(HEAD + DATED.replace("home7/pv", "{device}/pv"))
    (tmp_path / "watcher.toml").write_text(WATCHER)
    return tmp_path / "watcher.toml"


def live(watcher_file: Path, reached: Callable[[], None], newest_ms: int) -> MqttCollector:
    """One life of the daemon. reached: called once its broker is. It ends when the meter's newest reading has come."""
    daemon = Daemon(assemble(watcher_file))
    (collector,) = [one for one in daemon._parts.collectors if isinstance(one, MqttCollector)]

    def is_here() -> bool:
        known = collector.last_known.get(ENERGY)
        return known is not None and known.time_ms == newest_ms

    async def until(true: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not true() and time.monotonic() < deadline:
            await asyncio.sleep(0.02)

    async def steps() -> None:
        running = asyncio.create_task(daemon.run())
        await until(lambda: collector._connection._up_since is not None)
        await asyncio.to_thread(reached)
        await until(is_here)
        daemon.stop.set()
        await running

    asyncio.run(steps())
    return collector


def stored(watcher_file: Path) -> dict[str, Reading]:
    with SqliteReadings(watcher_file.parent / "data" / "readings.sqlite") as store:
        return dict(store.last("home-1"))


def test_what_is_published_is_stored_and_what_came_while_we_were_away_too(watcher_file: Path, broker: Broker) -> None:
    minute_ms = int(time.time()) // 60 * MINUTE_MS
    with Device(broker) as device:

        def says(power: float, at_ms: int) -> None:
            # Kept by the broker, so that it matters not whether it comes before what we subscribe to does.
            device.publish("home7/pv", {"power": power, "energy": 8.5, "ts": iso(at_ms)}, retain=True)

        first = live(watcher_file, lambda: says(1520.0, minute_ms - 2 * MINUTE_MS), minute_ms - 2 * MINUTE_MS)
        assert first.refused == {}
        after = stored(watcher_file)
        assert after[POWER] == Reading(POWER, minute_ms - 2 * MINUTE_MS, 1520.0)
        assert after[ENERGY] == Reading(ENERGY, minute_ms - 2 * MINUTE_MS, 8500.0)
        assert "board.meter-9.uptime" in after

        says(1480.0, minute_ms - MINUTE_MS)  # nobody is there
        says(1490.0, minute_ms)
        live(watcher_file, lambda: None, minute_ms)
        with SqliteReadings(watcher_file.parent / "data" / "readings.sqlite") as store:
            column = store.window("home-1", [POWER], 0, minute_ms + 1, minute_ms + 10 * MINUTE_MS)[POWER]
        assert list(column.value) == [1520.0, 1480.0, 1490.0]


def test_a_broker_that_is_not_there_is_a_trouble_and_stops_nothing(watcher_file: Path, broker: Broker) -> None:
    broker.stop()
    daemon = Daemon(assemble(watcher_file))
    (collector,) = [one for one in daemon._parts.collectors if isinstance(one, MqttCollector)]

    async def steps() -> None:
        running = asyncio.create_task(daemon.run())
        deadline = time.monotonic() + PATIENCE_S
        while collector.trouble is None and time.monotonic() < deadline:
            await asyncio.sleep(0.02)
        daemon.stop.set()
        await running

    asyncio.run(steps())
    assert collector.trouble is not None
    assert (collector.trouble.site, collector.trouble.device) == ("home-1", "meter-9")
    assert "board.meter-9.uptime" not in stored(watcher_file)
