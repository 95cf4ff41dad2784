"""The daemon's end of the worker: one round or many, a death noticed, a site that cannot be judged told."""

from __future__ import annotations

import asyncio
import os
import signal
from pathlib import Path

import pytest

from watcher.domain.instant import parse_iso
from watcher.domain.reading import Reading
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.worker_process import WorkerError, WorkerProcess

SITE = """
[site]
name = "Mill Lane"
latitude_deg = 52.0
longitude_deg = -1.0
altitude_m = 60.0
zone = "Europe/London"
[[array]]
id = "south"
tilt_deg = 35.0
azimuth_deg = 180.0
peak_power_w = 4000.0
input = "inverter-1.input-1"
[[inverter]]
id = "inverter-1"
ac_limit_w = 3680.0
[[source]]
kind = "modbus-tcp"
device = "inverter-1"
address = "127.0.0.1:1502"
"""
NOON = parse_iso("2026-06-21T12:00:00Z")


@pytest.fixture
def stores(tmp_path: Path) -> tuple[Path, str]:
    readings, url = tmp_path / "readings.sqlite", f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    with SqliteReadings(readings) as store, Ledger(url) as ledger:
        ledger.put_version("mill-lane", SITE, NOON)
        ledger.put_version("broken", "[site]", NOON)
        for site in ("mill-lane", "broken"):
            for minute in range(30):
                now_ms = NOON + minute * 60_000
                store.append({site: [Reading("inverter-1.ac_power", now_ms, 2000.0)]}, now_ms)
    return readings, url


def judged_until(url: str, site: str) -> int | None:
    with Ledger(url) as ledger:
        return ledger.evaluated_until(site)


def test_a_round_judges_what_is_due_and_the_process_goes(stores: tuple[Path, str]) -> None:
    async def run() -> None:
        worker = WorkerProcess(*stores, resident=False)
        await worker.judge(["mill-lane"])
        assert worker.process_id is None

    asyncio.run(run())
    assert judged_until(stores[1], "mill-lane") == parse_iso("2026-06-21T12:25:00Z")


def test_a_resident_worker_stays_and_one_that_was_killed_is_started_anew(stores: tuple[Path, str]) -> None:
    async def run() -> None:
        worker = WorkerProcess(*stores, resident=True)
        await worker.judge(["mill-lane"])
        first = worker.process_id
        await worker.judge(["mill-lane"])
        assert worker.process_id == first is not None
        os.kill(first, signal.SIGKILL)
        with pytest.raises(WorkerError, match="ended"):
            await worker.judge(["mill-lane"])
        await worker.judge(["mill-lane"])
        assert worker.process_id not in (None, first)
        await worker.close()

    asyncio.run(run())


def test_a_site_that_cannot_be_judged_is_told_and_the_others_are(stores: tuple[Path, str]) -> None:
    async def run() -> None:
        worker = WorkerProcess(*stores, resident=False)
        with pytest.raises(WorkerError, match="broken"):
            await worker.judge(["broken", "mill-lane"])

    asyncio.run(run())
    assert judged_until(stores[1], "mill-lane") == parse_iso("2026-06-21T12:25:00Z")
