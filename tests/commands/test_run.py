"""`watcher run`: the real daemon in a process of its own, against the simulated home in real time."""

from __future__ import annotations

import email
import email.policy
import signal
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest

from tests.commands.running import SCENARIO, Running, running, simulated_home, until
from watcher.simulate.ports import Ports
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.site import site_text
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files

pytestmark = pytest.mark.slow

WATCHER = """
data_folder = "data"
sites_folder = "sites"

[mail]
sender = "watch@installer.example.org"
folder = "mails"

[operator]
email = "operator@installer.example.org"
"""


@pytest.fixture(scope="module")
def ports(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ports]:
    with simulated_home(tmp_path_factory.mktemp("home")) as ports:
        yield ports


@pytest.fixture
def good_site(ports: Ports) -> str:
    """A site file whose devices are the simulated home's, polled each second."""
    return site_text(parse_scenario(SCENARIO.read_text(encoding="utf-8"), str(SCENARIO)), ports, every_s=1.0)


@pytest.fixture
def folder(tmp_path: Path, good_site: str) -> Path:
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "larkfield.toml").write_text(good_site, encoding="utf-8")
    return tmp_path


def stored(folder: Path) -> int:
    with SqliteReadings.open_reader(Files(folder / "data").readings) as readings:
        return readings.count("larkfield") if "larkfield" in readings.sites() else 0


def letters(folder: Path) -> list[EmailMessage]:
    return [
        email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
        for path in sorted((folder / "mails").glob("*.eml"))
    ]


def polled(daemon: Running, times: int) -> None:
    """Let it poll each second for a while: it says twice a second that it is alive."""
    daemon.drain()
    daemon.told("WATCHDOG=1", daemon.states.count("WATCHDOG=1") + 2 * times)


def test_it_says_ready_then_alive_and_after_sigterm_stops_with_everything_written(folder: Path) -> None:
    with running(folder, watchdog_s=1.0) as daemon:
        daemon.told("READY=1")
        polled(daemon, 4)
        before = stored(folder)
        assert daemon.stop() == 0
        daemon.drain()
    assert daemon.states[0] == "READY=1"
    assert daemon.states.count("WATCHDOG=1") >= 8
    assert daemon.states[-1] == "STOPPING=1"
    # The store is written once a minute: what was polled since lay in the inbox.
    after = stored(folder)
    assert after > before
    with SqliteReadings.open_reader(Files(folder / "data").readings) as readings:
        last = readings.last("larkfield")
        through_ms = readings.received_through("larkfield")
    assert {"inverter-1.ac_power", "inverter-1.input-2.dc_current", "meter-1.energy_index"} <= last.keys()
    assert through_ms is not None
    assert max(reading.time_ms for reading in last.values()) <= through_ms
    assert "watching sites=1 collectors=2" in daemon.log
    assert "watcher.daemon stopped" in daemon.log
    assert "Traceback" not in daemon.log


def test_sigint_stops_it_in_order_too(folder: Path) -> None:
    with running(folder) as daemon:
        daemon.told("READY=1")
        daemon.signal(signal.SIGINT)
        assert daemon.child.wait(60) == 0
        daemon.drain()
    assert daemon.states == ["READY=1", "STOPPING=1"], "nobody asked for signs of life, so none were sent"


def test_sighup_with_good_files_starts_anew_in_the_same_process(folder: Path, good_site: str) -> None:
    with running(folder, watchdog_s=1.0) as daemon:
        daemon.told("READY=1")
        polled(daemon, 1)
        (folder / "sites" / "larkfield-2.toml").write_text(good_site, encoding="utf-8")
        daemon.signal(signal.SIGHUP)
        daemon.told("READY=1", 2)
        assert daemon.child.poll() is None, "the process the service manager knows is still the one"
        polled(daemon, 1)
        assert daemon.stop() == 0
    assert "starting anew with the changed files" in daemon.log
    first, _, second = daemon.log.partition("starting anew")
    assert "watching sites=1 collectors=2" in first
    assert "watching sites=2 collectors=4" in second
    assert stored(folder) > 0
    assert daemon.states.index("STOPPING=1") < daemon.states.index("READY=1", 1)


def test_case_i1_reload_with_a_broken_site_file_keeps_the_last_good_configuration(folder: Path) -> None:
    with running(folder, watchdog_s=1.0) as daemon:
        daemon.told("READY=1")
        path = folder / "sites" / "larkfield.toml"
        good = path.read_text(encoding="utf-8")
        path.write_text(good.replace("tilt_deg = 35.0", 'tilt_deg = "35o"', 1), encoding="utf-8")
        daemon.signal(signal.SIGHUP)
        until(lambda: "not reloaded" in daemon.log, "a word about the broken file")
        before = daemon.states.count("READY=1")
        polled(daemon, 3)
        assert daemon.child.poll() is None
        assert daemon.states.count("READY=1") == before == 1
        assert f"{path}: 1 problem" in daemon.log
        assert 'tilt_deg = "35o": must be a number without quotes' in daemon.log

        path.write_text(good, encoding="utf-8")
        daemon.signal(signal.SIGHUP)
        daemon.told("READY=1", 2)
        assert daemon.stop() == 0
    assert stored(folder) > 0


def test_case_i1_at_the_start_a_bad_site_is_left_out_the_others_are_watched_and_the_operator_hears_of_it(
    folder: Path, good_site: str
) -> None:
    bad = folder / "sites" / "home-17.toml"
    bad.write_text(good_site.replace("tilt_deg = 35.0", "tlt_deg = 35.0", 1), encoding="utf-8")
    with running(folder, watchdog_s=1.0) as daemon:
        daemon.told("READY=1")
        until(lambda: len(letters(folder)) > 0, "a notice to the operator")
        polled(daemon, 2)
        assert daemon.stop() == 0
    (letter,) = letters(folder)
    assert letter["To"] == "operator@installer.example.org"
    assert letter["Subject"].startswith("1 of 2 sites watched")
    text = letter.get_content()
    assert str(bad.relative_to(folder)) in text
    assert "tlt_deg: unknown key, did you mean tilt_deg?" in text
    assert "watching sites=1 collectors=2" in daemon.log
    assert stored(folder) > 0
    with SqliteReadings.open_reader(Files(folder / "data").readings) as readings:
        assert readings.sites() == ["larkfield"]


def test_case_i1_at_the_start_it_refuses_to_run_with_nothing_to_watch(folder: Path) -> None:
    path = folder / "sites" / "larkfield.toml"
    path.write_text("", encoding="utf-8")
    with running(folder) as daemon:
        assert daemon.child.wait(60) == 2
        daemon.drain()
    assert daemon.states == []
    assert f"{path}: 1 problem" in daemon.log
    assert "the file is empty" in daemon.log
    assert "Traceback" not in daemon.log


def test_case_i1_at_the_start_it_refuses_an_empty_watcher_file(folder: Path) -> None:
    (folder / "watcher.toml").write_text("", encoding="utf-8")
    with running(folder) as daemon:
        assert daemon.child.wait(60) == 2
        daemon.drain()
    assert daemon.states == []
    assert str(folder / "watcher.toml") in daemon.log
