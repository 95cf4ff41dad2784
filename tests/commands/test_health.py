"""`watcher health`: what is wrong first, then how everything stands, and an exit code a machine can go by."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from tests.commands.conftest import Place
from watcher.clock import SystemClock
from watcher.commands.health import _asleep
from watcher.config import load_watcher
from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.health import DeviceState, LoopState, SiteState, SourceState, StoreState, WatcherState
from watcher.health_file import HealthFile
from watcher.store.folder_lock import FolderLock, in_use
from watcher.store.ledger import Ledger


def now() -> int:
    return SystemClock().now_ms()


def state(at_ms: int) -> WatcherState:
    return WatcherState(
        at_ms=at_ms,
        process_id=4711,
        started_ms=at_ms - 30 * MINUTE_MS,
        loops=(
            LoopState("collect home-1/192.0.2.7:502", 60.0, 725.0, turns=30, quiet_s=12.0),
            LoopState("flush", 60.0, 300.0, turns=30, failures=2, quiet_s=31.0, left_behind=1),
        ),
        sources=(
            SourceState(
                "home-1/192.0.2.7:502",
                "home-1",
                refused={"silent": 3, "moved": 1},
                devices=(DeviceState("inverter-1", heard_ms=at_ms - 12_000), DeviceState("meter-1")),
            ),
        ),
        sites=(SiteState("home-1"),),
        store=StoreState(
            at_ms - 31_000, 45_200_000, 10_100_000_000, held=12, lost=0, spooled=7, refused={"conflicting": 2}
        ),
    )


@pytest.fixture
def running(place: Place) -> Place:
    """A folder with a ledger and a fresh report."""
    place.files.folder.mkdir()
    with Ledger(place.files.ledger_url) as ledger:
        ledger.put_version("home-1", "", 0)
    HealthFile(place.files.folder).write(state(now()))
    return place


def test_all_well_is_said_first_and_exits_0(running: Place) -> None:
    with FolderLock(running.files.folder):
        code, out, err = running.run("health")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "all is well"
    told = "\n".join(line.rstrip() for line in lines)
    for words in (
        "process 4711, started ",
        "clock     trusted",
        "12 readings held, 0 lost, 7 rows wait for the server",
        "disk      45.2 MB kept, 10.1 GB free",
        "mail      0 waiting, 0 of them failing",
        "refused   2 conflicting (by the store, since the start)",
        "judged    home-1: never",
        "flush                         60 s   30     2       31 s, 1 hang",
        "refused: 1 moved, 3 silent",
        "meter-1     not since the start",
    ):
        assert words in told


def test_what_is_wrong_stands_first_one_line_each_and_exits_1(running: Place) -> None:
    file = HealthFile(running.files.folder)
    file.write(replace(file.read(), ended=("nightly",), clock_trusted=False))
    with FolderLock(running.files.folder):
        code, out, _ = running.run("health")
    assert code == 1
    assert out.splitlines()[:3] == ["1 thing is wrong:", "  nightly: has ended; a new start is needed", ""]
    assert "clock     not trusted" in out


@pytest.mark.parametrize("stopped", [False, True])
def test_a_fresh_report_of_a_watcher_that_is_gone_is_no_sign_of_life(running: Place, stopped: bool) -> None:
    file = HealthFile(running.files.folder)
    file.write(replace(file.read(), stopped=stopped))
    code, out, _ = running.run("health")
    assert code == 1
    assert ("watcher: stopped" if stopped else "watcher: ended without a word") in out
    assert "process 4711" in out, "how it stood at the last is told all the same"


def test_without_anything_it_says_so_and_makes_nothing(place: Place) -> None:
    code, out, _ = place.run("health")
    assert code == 1
    assert "not running; " in out
    assert "no watcher has run with this folder" in out
    assert not place.files.folder.exists()


def test_a_ledger_that_is_gone_or_damaged_is_told_and_none_is_made(running: Place) -> None:
    running.files.ledger.write_bytes(b"not a database at all" * 100)
    with FolderLock(running.files.folder):
        code, out, _ = running.run("health")
        assert code == 1
        assert "ledger: ledger: opening failed" in out
        for file in running.files.folder.glob("ledger.sqlite*"):
            file.unlink()
        code, out, _ = running.run("health")
    assert code == 1
    assert "no such file" in out
    assert not running.files.ledger.exists()


def test_the_ledger_is_asked_anew_for_mails_and_judgements(place: Place) -> None:
    place.import_meter()
    place.import_power()
    place.judge()
    HealthFile(place.files.folder).write(state(now()))
    with Ledger(place.files.ledger_url) as ledger:
        (mail,) = ledger.due_mails(2**62, 10)
        through_ms = ledger.evaluated_until("home-1")
        ledger.mark_failed(mail.id, now() + HOUR_MS, "no such mailbox")
    code, out, _ = place.run("health")
    assert code == 1
    assert "mail: 1 of 1 that wait were tried and did not go" in out
    assert through_ms is not None
    told = json.loads(place.run("health", "--json")[1])
    assert told["state"]["sites"] == [{"id": "home-1", "judged_through_ms": through_ms}]
    assert told["state"]["mail"] == {"waiting": 1, "failing": 1}


def test_for_machines_it_is_one_object_that_says_the_same(running: Place) -> None:
    with FolderLock(running.files.folder):
        code, out, _ = running.run("health", "--json")
    told = json.loads(out)
    assert (code, told["well"], told["faults"]) == (0, True, [])
    assert told["state"]["process_id"] == 4711
    code, out, _ = running.run("health", "--json")
    told = json.loads(out)
    assert (code, told["well"]) == (1, False)
    assert [fault["wrong"] for fault in told["faults"]] == ["not-running"]


def test_a_bad_watcher_file_exits_2(place: Place) -> None:
    place.config.write_text("", encoding="utf-8")
    code, out, err = place.run("health")
    assert (code, out) == (2, "")
    assert "the file is empty" in err


@pytest.mark.skipif(os.geteuid() == 0, reason="root may look into every folder")
def test_a_folder_one_may_not_look_into_is_said_in_words(running: Place) -> None:
    running.files.folder.chmod(0)
    try:
        code, out, _ = running.run("health")
    finally:
        running.files.folder.chmod(0o700)
    assert code == 1
    assert "cannot be looked into" in out


@pytest.mark.parametrize(
    ("at", "asleep"),
    [
        ("2026-06-21T12:00:00Z", False),
        ("2026-06-21T00:00:00Z", True),
        ("2026-12-21T07:30:00Z", True),
        pytest.param("2026-06-21T05:10:00Z", True, id="the sun is up, and was not an hour ago"),
        pytest.param("2026-12-21T12:00:00Z", False, id="a winter noon is day enough"),
    ],
)
def test_an_inverter_may_sleep_while_its_sun_is_down_and_a_meter_never(place: Place, at: str, asleep: bool) -> None:
    found = _asleep(load_watcher(place.config, {}), parse_iso(at))
    assert found == ({("home-1", "inverter-1")} if asleep else set())


def test_to_look_whether_a_folder_is_in_use_changes_nothing(tmp_path: Path) -> None:
    assert not in_use(tmp_path)
    with FolderLock(tmp_path):
        assert in_use(tmp_path)
        assert in_use(tmp_path)
    assert not in_use(tmp_path)
    with FolderLock(tmp_path):
        assert in_use(tmp_path)
