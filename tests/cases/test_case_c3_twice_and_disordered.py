"""Case C3: the same message twice, and out of order. Counters that add increments must not double."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.collect.mqtt.played import DATED, HEAD, NUMBERED, UNNUMBERED, Played
from tests.commands.conftest import HOME, WATCHER
from watcher.cli import main
from watcher.store.readings import SqliteReadings

DAY = "2026-06-21"
ENERGY = "inverter-1.ac_energy"


def test_case_c3_a_dated_index_is_three_samples_and_400_wh() -> None:
    played = Played(DATED, f"{DAY}T10:10:00Z")
    sent = [("10:00", 500.0), ("10:05", 500.2), ("10:05", 500.2), ("10:00", 500.0), ("10:10", 500.4)]
    with SqliteReadings(":memory:") as store:
        for clock, index in sent:
            played.message(0.0, {"energy": index, "ts": f"{DAY}T{clock}:00Z"})
        appended = store.append({"home-1": played.taken(1.0)}, played.at(1.0))
        assert (appended.new, appended.same, appended.conflicting) == (3, 2, 0)
        column = store.window("home-1", [ENERGY], 0, 2**50, 2**50)[ENERGY]
    assert list(column.value) == [500_000.0, 500_200.0, 500_400.0]
    assert column.value[-1] - column.value[0] == 400.0


def test_case_c3_two_values_for_one_time_keep_the_first_and_flag_the_other() -> None:
    played = Played(DATED, f"{DAY}T10:10:00Z")
    for index in (500.2, 500.3):
        played.message(0.0, {"energy": index, "ts": f"{DAY}T10:05:00Z"})
    with SqliteReadings(":memory:") as store:
        appended = store.append({"home-1": played.taken(1.0)}, played.at(1.0))
        assert (appended.new, appended.conflicting) == (1, 1)
        assert store.last("home-1")[ENERGY].value == 500_200.0


@pytest.mark.parametrize("again", [False, True], ids=["not marked", "marked as sent again"])
def test_case_c3_numbered_increments_count_once(again: bool) -> None:
    played = Played(NUMBERED, f"{DAY}T10:00:00Z")
    for second, sequence in enumerate((41, 42, 42)):
        played.message(float(second), {"seq": sequence, "n": 5}, again=again and second == 2)
    assert {reading.channel: reading.value for reading in played.taken(5.0)} == {
        "inverter-1.pulse_count": 10.0,
        "inverter-1.messages.pulse_count": 42.0,
    }
    assert played.refused == {"repeated": 1}


def test_case_c3_increments_without_numbers_are_kept_apart_and_are_no_count_of_the_meter() -> None:
    played = Played(UNNUMBERED, f"{DAY}T10:00:00Z")
    for second in range(3):
        played.message(float(second), {"n": 5})
    # The third may be the second once more: nobody can tell, so nothing is judged by this channel.
    assert {reading.channel: reading.value for reading in played.taken(5.0)} == {
        "inverter-1.doubtful.pulse_count": 15.0
    }


def test_case_c3_the_setup_check_says_so_and_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for folder in ("sites", "topics"):
        (tmp_path / folder).mkdir()
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    (tmp_path / "topics" / "unsafe.toml").write_text(HEAD + UNNUMBERED, encoding="utf-8")
    (tmp_path / "topics" / "safe.toml").write_text(HEAD + NUMBERED, encoding="utf-8")
    by_file = 'kind = "file"\ndevice = "meter-1"\naddress = "meter.csv"'
    assert by_file in HOME

    def checked(topics: str) -> tuple[int, list[str]]:
        by_broker = f'kind = "mqtt"\ndevice = "meter-1"\naddress = "mqtt://127.0.0.1:1883"\nmap = "{topics}"'
        (tmp_path / "sites" / "home-1.toml").write_text(HOME.replace(by_file, by_broker), encoding="utf-8")
        code = main(["check", "--config", str(tmp_path / "watcher.toml")])
        return code, capsys.readouterr().out.splitlines()

    assert checked("safe") == (0, ["all well: 1 sites"])
    code, (first, caution) = checked("unsafe")
    assert (code, first) == (0, "all well: 1 sites")
    assert caution.startswith("caution: topic map unsafe: pulse_count under home7/pulses adds up increments")
    assert "one that comes twice counts twice" in caution
    assert caution.endswith("send its index, or a sequence number, and say where it stands with sequence")
