"""energy-imbalance: a side read wrong, or not at all, is told to the trade; where sides are missing nothing is said."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from tests.detect.made_homes import broken
from tests.detect.made_lines import judged, told
from tests.detect.made_storage import EXPORT, IMPORT, LOAD, METERS, StorageHome, from_day, storage_site
from watcher.domain.alert import Alert, ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Role

START = parse_iso("2026-06-01T00:00:00Z")


def a_home(days: int, **facts: object) -> StorageHome:
    return StorageHome(START, days, broken(days * POINTS_A_DAY, 6, level=0.7, spread=0.2), **facts)  # type: ignore[arg-type]


def counting(raw: dict[str, Samples], channel: str, share: float, since_ms: int) -> dict[str, Samples]:
    """The readings with one register that counts a share of what it should, from an instant on."""
    column = raw[channel]
    value, time_ms = np.array(column.value), np.array(column.time_ms)
    began = value[np.searchsorted(time_ms, since_ms)]
    value = np.where(time_ms >= since_ms, np.floor((began + share * (value - began)) / 10.0) * 10.0, value)
    return {**raw, channel: Samples.of(zip(time_ms.tolist(), value.tolist(), strict=True))}


def the_one(home: StorageHome, raw: dict[str, Samples]) -> Alert:
    with judged(home.home, raw) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.ENERGY_IMBALANCE
        assert {mail.role for mail in ledger.mails("home-1")} == {Role.INSTALLER}
    return alert


@pytest.mark.parametrize(
    ("channel", "share", "causes"),
    [
        pytest.param("meter-house.energy_index", 0.5, ("circuit-not-metered", "meter-wrong"), id="half the house"),
        pytest.param("meter-out.energy_index", 0.5, ("circuit-not-metered", "meter-wrong"), id="half the export"),
        pytest.param(
            "meter-house.energy_index", 1.4, ("source-not-metered", "meter-wrong"), id="too much of the house"
        ),
    ],
)
def test_a_side_of_the_house_that_is_read_wrong_is_told_within_a_week(
    channel: str, share: float, causes: tuple[str, ...]
) -> None:
    home = a_home(11)
    since_ms = START + 3 * DAY_MS
    alert = the_one(home, counting(home.raw(), channel, share, since_ms))
    assert (alert.subject, alert.causes) == ("site", causes)
    assert alert.opened_ms is not None
    assert since_ms < alert.opened_ms <= since_ms + 7 * DAY_MS
    assert alert.onset_low_ms <= since_ms <= alert.onset_high_ms


def test_a_battery_that_gives_back_half_is_told_by_its_own_history() -> None:
    home = a_home(34)
    home.gives_back = np.where(from_day(home, 24), 0.55, 0.95)
    with judged(home.home, home.raw()) as ledger:
        (alert,) = told(ledger)
    assert (alert.finding, alert.subject) == (Finding.ENERGY_IMBALANCE, "inverter-1.battery")
    assert alert.causes == ("battery-worn", "reading-wrong")
    assert float(alert.evidence["worn_percent"]) == pytest.approx(40.0, abs=6.0)
    assert alert.onset_low_ms <= START + 24 * DAY_MS <= alert.onset_high_ms


def test_an_input_that_reads_a_third_too_little_leaves_more_out_than_in_on_the_dc_side() -> None:
    home = a_home(9)
    raw = home.raw()
    for number in (1, 2):
        name = f"inverter-1.input-{number}.dc_power"
        rows = zip(raw[name].time_ms, raw[name].value, strict=True)
        raw[name] = Samples.of((at, 0.66 * value) for at, value in rows)
    with judged(home.home, raw) as ledger:
        (alert,) = told(ledger, Finding.ENERGY_IMBALANCE)
        assert (alert.subject, alert.causes) == ("inverter-1", ("reading-wrong",))


@pytest.mark.parametrize(
    "away",
    [
        pytest.param(lambda name: name.startswith(LOAD.id), id="the house is not read"),
        pytest.param(lambda name: name.startswith(EXPORT.id), id="exports are not read"),
        pytest.param(lambda name: name.startswith("inverter-1.ac_"), id="the inverter's output is not read"),
    ],
)
def test_where_a_side_is_not_told_nothing_is_said(away: Callable[[str], bool]) -> None:
    home = a_home(6)
    raw = counting(home.raw(), "meter-in.energy_index", 0.2, START)
    with judged(home.home, {name: column for name, column in raw.items() if not away(name)}) as ledger:
        runs = [run for run in ledger.runs("home-1") if run.finding is Finding.ENERGY_IMBALANCE]
        assert {run.code for run in runs if run.subject == "site"} == {"energy-imbalance.not-judged"}


def test_a_home_without_a_meter_of_the_house_has_no_balance_to_judge() -> None:
    home = a_home(4, site=storage_site((METERS[0], IMPORT, EXPORT)))
    with judged(home.home, home.raw()) as ledger:
        subjects = {run.subject for run in ledger.runs("home-1") if run.finding is Finding.ENERGY_IMBALANCE}
    assert subjects == {"inverter-1", "inverter-1.battery"}


def test_a_sensor_that_reads_too_much_beside_a_battery_is_told_as_one_and_no_row_is_accused() -> None:
    home = a_home(36)
    raw = home.raw()
    since_ms = START + 25 * DAY_MS
    for name in ("inverter-1.input-1.dc_current", "inverter-1.input-1.dc_power"):
        rows = zip(raw[name].time_ms, raw[name].value, strict=True)
        raw[name] = Samples.of((at, 1.15 * value if at >= since_ms else value) for at, value in rows)
    with judged(home.home, raw) as ledger:
        standing = [alert for alert in told(ledger) if alert.closed_as is not ClosedAs.REPLACED]
        (alert,) = standing
        assert (alert.finding, alert.subject) == (Finding.VALUES_DRIFTING, "inverter-1.input-1")
