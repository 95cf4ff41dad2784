"""A plant in the days of a hurricane: its meter's counter stands still because nothing was made, and says so.

Operation records beside the data: "site went offline around 1000 et on 14-sep", "site came back online around 5pm
16-sep". Between 19 September and 12 October there is nothing, while the counter went on by 56,590 kWh.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.real.conftest import COLUMNS, Told, write_watcher_file
from watcher.align.build import build_window
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, floor_day, parse_iso
from watcher.replay import replay
from watcher.store.ledger import Ledger

TABLE = "om_events_and_meter_counters/meter_counter_power_poa_15min.csv.gz"
BEGIN = parse_iso("2018-09-14T02:15:00-04:00")
LAST_OF_FIRST, FIRST_OF_SECOND = 5_226_093_000, 5_282_683_000
"""The register's last value before the hole and its first after it, as in the table. [Wh]"""


@pytest.fixture
def storm(told: Callable[[str, str, str], Told]) -> Told:
    return told("storm-plant", "meter_counter", TABLE)


def test_the_outage_is_told_as_no_generation_with_its_period(storm: Told) -> None:
    (alert,) = [alert for alert in storm.alerts if alert["kind"] == "no-generation"]
    assert alert["device"] == "inverter-1"
    # The last quarters with any power end at 10:00 (8.0 kW) and 10:15 (4.1 kW) local.
    assert parse_iso("2018-09-14T09:00:00-04:00") <= parse_iso(alert["onset"]) <= parse_iso("2018-09-14T11:00:00-04:00")
    assert parse_iso(alert["onset_low"]) <= parse_iso("2018-09-14T10:15:00-04:00") <= parse_iso(alert["onset_high"])
    assert alert["state"] == "cleared"
    assert alert["closed_as"] == "recovered"
    assert (
        parse_iso("2018-09-16T16:00:00-04:00") <= parse_iso(alert["cleared"]) <= parse_iso("2018-09-17T12:00:00-04:00")
    )
    assert parse_iso(alert["opened"]) < parse_iso("2018-09-15T18:00:00-04:00"), "told on the second day at the latest"


def test_a_counter_that_stands_still_while_nothing_is_made_is_not_stalled(storm: Told) -> None:
    # Of the weeks without any reading one may say that nothing was heard, and no more.
    assert storm.kinds() <= {"no-generation", "inverter-silent"}
    with storm.readings() as readings:
        column = readings.window("storm-plant", ["meter-1.energy_index"], BEGIN, BEGIN + 3 * DAY_MS, 2**62)
        still = column["meter-1.energy_index"]
    values = [
        v for t, v in zip(still.time_ms, still.value, strict=True) if BEGIN + 9 * HOUR_MS <= t <= BEGIN + 61 * HOUR_MS
    ]
    assert set(values) == {5_220_840_000.0}, "the register did stand still for days"


def test_what_was_counted_in_the_hole_is_never_energy_of_an_interval(storm: Told) -> None:
    start_ms, days = floor_day(BEGIN), 32
    with storm.readings() as readings:
        raw = readings.window("storm-plant", None, start_ms, start_ms + days * DAY_MS, 2**62)
    register = raw["meter-1.energy_index"].value
    counter = build_window(storm.record.at(BEGIN), raw, (), start_ms, days * POINTS_A_DAY).counter(
        "meter-1.energy_index"
    )
    assert counter is not None
    hole_wh = FIRST_OF_SECOND - LAST_OF_FIRST
    assert hole_wh == 56_590_000

    counted_wh = sum(energy for energy in counter.energy_mwh.tolist() if energy == energy) / 1000
    booked_wh = counter.booked_mwh.sum() / 1000
    watched_wh = register[-1] - register[0] - hole_wh
    assert counted_wh == booked_wh == watched_wh == 12_107_000
    (gap,) = [one for one in counter.segments if one.end_ms - one.start_ms > DAY_MS]
    assert (gap.start_ms, gap.end_ms) == (
        parse_iso("2018-09-19T00:45:00-04:00"),
        parse_iso("2018-10-12T01:15:00-04:00"),
    )


def test_settled_days_hold_what_was_watched_and_nothing_of_the_hole(storm: Told) -> None:
    with (
        storm.readings() as readings,
        Ledger("sqlite://") as recorded,
        replay(storm.site, readings, recorded, lambda _: storm.record, text=storm.text) as ledger,
    ):
        days = {day.day.isoformat(): day for day in ledger.days(storm.site)}
    metered = {name: day.metered_wh for name, day in days.items() if day.metered_wh is not None}
    assert max(metered.values()) < 500_000 * 8, "no day holds more than the plant can make"
    assert metered["2018-09-15"] == 0.0
    assert metered["2018-09-17"] == 5_223_320_000 - 5_220_855_000
    assert metered["2018-09-18"] == 5_226_093_000 - 5_223_320_000
    assert not {f"2018-{day}" for day in ("09-20", "09-30", "10-01", "10-11")} & metered.keys()


def test_the_same_is_said_by_a_process_of_its_own_that_reads_the_table(shared_folder: Path, tmp_path: Path) -> None:
    command = [
        sys.executable, "-m", "watcher.cli", "replay", "--config", str(write_watcher_file(tmp_path)),
        "--site", "storm-plant", "--csv", str(shared_folder / "data" / TABLE),
        "--columns", str(COLUMNS / "meter_counter.toml"), "--until", "2018-09-18T00:00:00-04:00",
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    alert, summary = (json.loads(line) for line in done.stdout.splitlines())
    assert (alert["kind"], alert["state"]) == ("no-generation", "cleared")
    assert summary["judged_through"] == "2018-09-18T04:00:00Z"
    assert not (tmp_path / "data").exists(), "a table is judged without touching any store"
