"""values-drifting: a sensor that wanders is told to the trade, with its input, and is no fault of the panels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import EAST, SOUTH, WEST, Home, broken, home_site, samples
from tests.detect.made_lines import judged, told
from watcher.align.window import Floats
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Array, Role

START = parse_iso("2026-05-01T00:00:00Z")
DAYS, SINCE = 40, 26
FIRST, SECOND = "inverter-1.input-1", "inverter-1.input-2"


def a_home(*arrays: Array) -> Home:
    return Home(home_site(*arrays, meters=()), START, DAYS, broken(DAYS * POINTS_A_DAY, 4, level=0.7, spread=0.25))


def read_as(home: Home, input: str, factor: Floats, *names: str) -> dict[str, Samples]:
    """Its readings, some of one input by a factor."""
    raw = dict(home.raw())
    for name in names:
        column = raw[f"{input}.{name}"]
        at = (np.array(column.time_ms) - home.start_ms) // 300_000
        raw[f"{input}.{name}"] = samples(np.array(column.time_ms), np.array(column.value) * factor[at])
    return raw


def step(by: float) -> Floats:
    return np.where(np.arange(DAYS * POINTS_A_DAY) >= SINCE * POINTS_A_DAY, 1.0 + by, 1.0)


@pytest.mark.parametrize(
    ("by", "arrays", "slow"),
    [
        pytest.param(0.12, (EAST, WEST), False, id="one of two inputs, too much, at once"),
        pytest.param(-0.12, (EAST, WEST), True, id="one of two inputs, too little, slowly"),
        pytest.param(0.12, (SOUTH,), True, id="the only input, too much, slowly"),
        pytest.param(-0.12, (SOUTH,), False, id="the only input, too little, at once"),
    ],
)
def test_a_sensor_that_wanders_is_told_to_the_trade_alone(by: float, arrays: tuple[Array, ...], slow: bool) -> None:
    home = a_home(*arrays)
    grown = np.clip((np.arange(home.points) / POINTS_A_DAY - SINCE) / 6.0, 0.0, 1.0)
    factor = 1.0 + by * grown if slow else step(by)
    with judged(home, read_as(home, FIRST, factor, "dc_current", "dc_power")) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.subject) == (Finding.VALUES_DRIFTING, FIRST)
        assert "dc-sensor" in alert.causes
        assert alert.onset_low_ms <= START + SINCE * DAY_MS <= alert.onset_high_ms + (3 * DAY_MS if slow else 0)
        assert alert.evidence["difference_percent"] == pytest.approx(100.0 * by, abs=2.5)
        assert alert.loss_mwh == 0
        assert {mail.role for mail in ledger.mails("home-1")} == {Role.INSTALLER}


def test_current_alone_that_no_longer_fits_power_and_voltage_is_told_of_its_input() -> None:
    home = a_home(replace(EAST, azimuth_deg=180.0), replace(WEST, azimuth_deg=180.0))
    with judged(home, read_as(home, SECOND, step(0.06), "dc_current")) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.subject, alert.causes) == (Finding.VALUES_DRIFTING, SECOND, ("dc-sensor",))


def test_an_input_that_really_makes_less_is_no_sensor_that_wanders() -> None:
    home = a_home(EAST, WEST)
    home.share[FIRST] = home.share[FIRST] * step(-0.3)
    with judged(home) as ledger:
        assert not told(ledger, Finding.VALUES_DRIFTING)
        assert told(ledger)


def test_readings_that_are_right_again_end_it() -> None:
    home = a_home(EAST, WEST)
    factor = np.where(np.arange(home.points) >= (SINCE + 7) * POINTS_A_DAY, 1.0, step(0.12))
    with judged(home, read_as(home, FIRST, factor, "dc_current", "dc_power")) as ledger:
        (alert,) = told(ledger)
        assert alert.cleared_ms is not None
