"""From a site file to readings in the store, and on from there, by the parts that the daemon is made of."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from pathlib import Path

import pytest

from tests.config.test_pulse_lines import site_with, source
from watcher.collect.pulse.collector import PulseCollector
from watcher.collect.pulse.train import MS
from watcher.daemon import Parts
from watcher.domain.reading import Reading
from watcher.held import Held
from watcher.wiring import assemble

REPO = Path(__file__).resolve().parents[3]
NAME = "meter-9.pulse_count"

WATCHER = """
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "watch@installer.example.org"
folder = "mails"
[operator]
email = "operator@installer.example.org"
"""


@pytest.fixture
def watcher_file(tmp_path: Path) -> Path:
    (tmp_path / "sites").mkdir()
    (tmp_path / "edges.txt").write_text("0 0\n50000000 1\n")
    text = site_with(source(address=f"file:{tmp_path / 'edges.txt'}", more="pulses_per_kwh = 1000"))
    (tmp_path / "sites" / "home-1.toml").write_text(text, encoding="utf-8")
    (tmp_path / "watcher.toml").write_text(WATCHER)
    return tmp_path / "watcher.toml"


def run(watcher_file: Path, pulses: int, first_ns: int) -> list[float]:
    """One life of the daemon's parts: pulses come and are counted and stored. The counts that were told."""
    parts: Parts = assemble(watcher_file)
    collector = next(one for one in parts.collectors if isinstance(one, PulseCollector))

    def turn() -> list[Reading]:
        now_ms = parts.clock.now_ms()
        readings = asyncio.run(collector.collect(now_ms, parts.clock.monotonic())).readings
        parts.readings.append({"home-1": list(readings)}, now_ms)
        return [one for one in readings if one.channel == NAME]

    told = turn()
    with (watcher_file.parent / "edges.txt").open("a") as file:
        for number in range(pulses):
            at_ns = first_ns + number * 1000 * MS
            file.write(f"{at_ns} 0\n{at_ns + 50 * MS} 1\n")
        file.write(f"{first_ns + pulses * 1000 * MS} 0\n{first_ns + (pulses * 1000 + 1) * MS} 1\n")
    told += turn()
    asyncio.run(collector.close())
    parts.readings.close()
    parts.ledger.close()
    return [one.value for one in told]


def test_a_start_goes_on_from_the_store_and_from_what_waits_for_its_date(watcher_file: Path) -> None:
    assert run(watcher_file, 5, 10**10) == [0, 5]
    # Another time of the writing program, as after its restart, and nothing of the file is counted again.
    assert run(watcher_file, 7, 10**9) == [5, 12]
    held = Held(watcher_file.parent / "data", ["home-1"])
    held.add("home-1", [Reading(NAME, 1000, 20.0), Reading("meter-9.energy_index", 1000, 900.0)], 1000, 1.0)
    held.keep()
    assert run(watcher_file, 1, 10**11) == [20, 21]


def test_check_says_in_words_what_is_wrong_with_an_address(watcher_file: Path) -> None:
    bad = site_with(source(address="pin 17"))
    (watcher_file.parent / "sites" / "home-1.toml").write_text(bad, encoding="utf-8")
    told = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "check", "--config", str(watcher_file)],
        cwd=REPO, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode != 0
    assert 'must be "gpio:/dev/gpiochip0/17", the chip and the number of its line' in told.stdout + told.stderr
