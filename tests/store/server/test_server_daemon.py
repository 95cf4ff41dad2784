"""The whole program with its readings on a server: a live day says what its replay says, and the server may be away."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from real_servers import InfluxServer

from watcher.clock import SteppedClock
from watcher.commands.demo import SCENARIO
from watcher.config import load_watcher
from watcher.config.site_file import load_site
from watcher.daemon import Daemon
from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.site import SiteRecord
from watcher.replay import differences, replay
from watcher.simulate.process import SimulatedHome
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.site import site_text
from watcher.store.choice import open_reader
from watcher.store.ledger import Ledger
from watcher.wiring import Files, assemble

START_MS = parse_iso("2026-06-09T09:00:00Z")
HOURS = 4


def watcher_file(folder: Path, server: InfluxServer, mail_port: int) -> Path:
    path = folder / "watcher.toml"
    path.write_text(f"""
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "watch@installer.example.org"
host = "127.0.0.1"
port = {mail_port}
security = "none"
[operator]
email = "operator@installer.example.org"
[worker]
resident = true
evaluate_every_s = 900
[store]
kind = "influxql"
url = "{server.url}"
bucket = "{server.database}"
token_env = "TEST_STORE_TOKEN"
""")
    return path


async def live(folder: Path, server: InfluxServer) -> str:
    """Some hours with the server away for the second of them; the id of the site."""
    scenario = parse_scenario(SCENARIO.read_text(encoding="utf-8"), str(SCENARIO))
    site = scenario.site.id
    async with SimulatedHome.start(1, START_MS, SCENARIO, folder / "arrived") as home:
        (folder / "sites").mkdir()
        (folder / "sites" / f"{site}.toml").write_text(site_text(scenario, home.ports), encoding="utf-8")
        clock = SteppedClock(START_MS, before_step=home.advance)
        daemon = Daemon(assemble(watcher_file(folder, server, home.ports.mail), clock))
        sending = next(loop for loop in daemon.loops if loop.name == "send")

        async def script() -> None:
            await clock.sleep_until(3600)
            server.stop()
            await clock.sleep_until(2 * 3600)
            assert sending.blocked == "store-down"
            await asyncio.to_thread(server.start)
            # The program rests some seconds of the real clock before it asks again.
            await asyncio.sleep(6.0)
            await clock.sleep_until(HOURS * 3600)
            assert sending.blocked == ""
            daemon.stop.set()
            clock.leave()

        clock.join()
        scripted = asyncio.create_task(script())
        await daemon.run()
        await scripted
    return site


@pytest.mark.slow
def test_a_live_day_on_a_server_says_what_its_replay_says(
    tmp_path: Path, influx_of_its_own: InfluxServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TEST_STORE_TOKEN", "user:password")
    site = asyncio.run(live(tmp_path, influx_of_its_own))
    files = Files.of(load_watcher(tmp_path / "watcher.toml"))
    assert not (tmp_path / "data" / "readings.sqlite").exists()

    def parse(text: str) -> SiteRecord:
        return load_site(text, "recorded", site)

    with Ledger(files.ledger_url) as recorded, open_reader(files.readings, files.server) as readings:
        until_ms = recorded.evaluated_until(site)
        assert until_ms is not None
        assert until_ms >= START_MS + HOURS * HOUR_MS - 20 * MINUTE_MS
        assert recorded.runs(site)
        with replay(site, readings, recorded, parse, through_ms=until_ms) as fresh:
            assert differences(site, recorded, fresh) == []
    # Everything but the last turns' worth has reached the server.
    assert influx_of_its_own.count() > (HOURS * 60 - 5) * 10
