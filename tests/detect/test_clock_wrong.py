"""A clock that jumps, told from the sun: decided on edges of days, found in made homes, and in two measured years."""

from __future__ import annotations

import csv
import gzip
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tests.detect.made_days import clock_moved
from tests.detect.made_homes import EAST, SOUTH, WEST, Home, broken, home_site, record_of
from tests.detect.made_lines import judged, told
from watcher.catch_up import Case, catch_up
from watcher.detect.clock_wrong import FEWEST_DAYS, RUN_DAYS, EdgeDay, Jump, Now, jump, usual
from watcher.domain.alert import Alert, ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Reading
from watcher.domain.site import Inverter, Label, Source, SourceKind
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

START_MS = parse_iso("2026-05-01T00:00:00Z")


def _days(moves: Mapping[int, tuple[float, float]], count: int = 60, seed: int = 1) -> list[EdgeDay]:
    """moves: from which day on the two edges stand by how much elsewhere [min]"""
    chance = np.random.default_rng(seed)
    begin = end = 0.0
    found = []
    for day in range(count):
        begin, end = moves.get(day, (begin, end))
        dull = abs(chance.normal(0.0, 12.0))  # cloud shortens a day at both ends
        found.append(EdgeDay(day, 20 + begin + dull + chance.normal(0, 5), -25 + end - dull + chance.normal(0, 5)))
    return found


def _jump(days: list[EdgeDay]) -> Jump | None:
    before = usual(days)
    return None if before is None else jump(days, before, 40.0)


@pytest.mark.parametrize("minutes", [60.0, -60.0, 120.0, -75.0])
@pytest.mark.parametrize("seed", range(5))
def test_a_jump_is_told_on_its_third_day_with_its_size_and_ends_when_it_is_undone(minutes: float, seed: int) -> None:
    days = _days({30: (minutes, minutes), 45: (0.0, 0.0)}, seed=seed)
    said = {day: _jump(days[: day + 1]) for day in range(60)}
    told_on = [day for day, change in said.items() if change is not None and change.now is Now.JUMPED]
    assert 32 <= told_on[0] <= 35
    change = said[told_on[0]]
    assert change is not None
    assert change.minutes == pytest.approx(minutes, abs=12.0)
    assert abs(change.first - 30) <= 1
    assert max(told_on) <= 47
    assert said[50] == Jump(Now.AS_BEFORE)


@pytest.mark.parametrize(
    ("begin", "end"),
    [
        pytest.param(90.0, 0.0, id="a dead row that faced the morning"),
        pytest.param(0.0, -80.0, id="a tree in the evening"),
        pytest.param(70.0, -70.0, id="a dull week"),
        pytest.param(25.0, 25.0, id="less than is told"),
    ],
)
def test_what_moves_otherwise_is_no_clock(begin: float, end: float) -> None:
    for seed in range(5):
        days = _days({30: (begin, end)}, seed=seed)
        assert all((change := _jump(days[:day])) is None or change.now is not Now.JUMPED for day in range(60))


def test_nothing_is_said_before_there_is_a_usual_day_nor_of_days_that_are_in_question() -> None:
    days = _days({})
    assert usual(days[: FEWEST_DAYS + RUN_DAYS - 1]) is None
    assert usual(days[: FEWEST_DAYS + RUN_DAYS]) is not None
    assert usual([*(one._replace(joins=False) for one in days[:-3]), *days[-3:]]) is None


@pytest.mark.slow
@pytest.mark.parametrize("by_ms", [HOUR_MS, -HOUR_MS])
def test_a_home_whose_inverter_keeps_winter_time_is_told_to_the_trade_alone(by_ms: int) -> None:
    days = 32
    home = Home(home_site(EAST, WEST, meters=()), START_MS, days, broken(days * POINTS_A_DAY, 5, level=0.8))
    wrong = (START_MS + 20 * DAY_MS, START_MS + 26 * DAY_MS)
    raw = {name: column for name, column in clock_moved(home.raw(), *wrong, by_ms).items() if ".input" not in name}
    with judged(home, raw) as ledger:
        (alert,) = told(ledger, Finding.CLOCK_WRONG)
        assert alert.causes == ("clock-ahead" if by_ms > 0 else "clock-behind",)
        assert alert.evidence["shift_minutes"] == pytest.approx(60.0, abs=5.0)
        assert alert.onset_low_ms <= wrong[0] <= alert.onset_high_ms
        assert alert.opened_ms is not None
        assert alert.opened_ms <= wrong[0] + 3 * DAY_MS + 6 * HOUR_MS
        assert (alert.closed_as, alert.loss_mwh) == (ClosedAs.RECOVERED, 0)
        assert {mail.role for mail in ledger.mails("home-1") if mail.alert.finding is Finding.CLOCK_WRONG} == {
            "installer"
        }


@pytest.mark.slow
@pytest.mark.parametrize("dead", ["inverter-1.input-1", "inverter-1.input-2"])
def test_a_row_that_dies_on_one_side_of_the_roof_is_no_clock(dead: str) -> None:
    home = Home(home_site(EAST, WEST, meters=()), START_MS, 26, 0.9)
    home.share[dead][home.between("2026-05-18T00:00:00Z")] = 0.0
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    with judged(home, raw) as ledger:
        assert told(ledger, Finding.CLOCK_WRONG) == []


def _measured(path: Path, column: str) -> tuple[list[Reading], int]:
    """Two measured years, a value a quarter of an hour. Their place and date are not given: day 0 is put so that the
    longest day is the 21st of June, the place so that the sun stands highest when output does.
    """
    start_ms = parse_iso("2017-12-26T00:00:00Z")
    rows: list[Reading] = []
    with gzip.open(path, "rt", newline="") as file:
        for row in csv.DictReader(file):
            at_ms = start_ms + int(row["day"]) * DAY_MS + int(row["slot15"]) * 15 * MINUTE_MS
            if row[column]:
                rows.append(Reading("inverter-1.ac_power", at_ms + 15 * MINUTE_MS, 1000.0 * float(row[column])))
    return rows, start_ms


def _clock_alerts(rows: list[Reading], start_ms: int) -> list[Alert]:
    source = Source(SourceKind.FILE, "inverter-1", every_s=900.0, period_s=900.0, label=Label.MEAN_ENDING)
    site = home_site(
        replace(SOUTH, peak_power_w=11_000.0, input="inverter-1.input-1"),
        latitude_deg=37.0, longitude_deg=-11.0, zone=ZoneInfo("UTC"), meters=(), sensors=(),
        inverters=(Inverter("inverter-1", 10_200.0),), sources=(source,),
    )  # fmt: skip
    with SqliteReadings(":memory:") as store:
        store.append_history(site.id, rows, rows[-1].time_ms + DAY_MS)
        store.append({site.id: []}, rows[-1].time_ms + DAY_MS)
        ledger = Ledger("sqlite://")
        ledger.put_version(site.id, "as made", 0)
        for _ in catch_up(Case(site.id, store, ledger, lambda _text: record_of(site)), from_ms=start_ms):
            pass
        with ledger:
            return told(ledger, Finding.CLOCK_WRONG)


SERIES = "us_5min_ac_power_raw_faults/time_shift_two_years_15min.csv.gz"


@pytest.mark.slow
def test_two_measured_years_whose_clock_is_an_hour_slow_from_day_162_on_say_so_within_three_days(
    shared_folder: Path,
) -> None:
    # Truth by the dataset's own notes: from day 162 on values are labelled 60 minutes too early; 0 to 161 are right.
    rows, start_ms = _measured(shared_folder / "data" / SERIES, "power_with_shift")
    (alert,) = _clock_alerts(rows, start_ms)
    assert alert.causes == ("clock-behind",)
    assert alert.evidence["shift_minutes"] == 60.0
    assert abs((alert.onset_ms - start_ms) // DAY_MS - 162) <= 3
    assert alert.opened_ms is not None
    # Its output is first seen out of place on day 163; the third such day settles in the night after it.
    assert (alert.opened_ms - start_ms) // DAY_MS <= 166
    assert alert.closed_as is None


@pytest.mark.slow
def test_the_same_two_years_put_right_say_nothing(shared_folder: Path) -> None:
    assert _clock_alerts(*_measured(shared_folder / "data" / SERIES, "power_fixed")) == []
