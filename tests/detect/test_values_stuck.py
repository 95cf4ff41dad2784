"""What repeats itself is no news: power and voltage alike to the last digit, and never one of them alone."""

from __future__ import annotations

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, home_site, samples
from tests.detect.made_lines import judged, told
from watcher.domain.alert import ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.domain.reading import Samples

START = parse_iso("2026-06-09T00:00:00Z")
STUCK = ("2026-06-10T10:00:00Z", "2026-06-10T16:00:00Z")


def with_stuck(home: Home, *names: str) -> dict[str, Samples]:
    volts = 241.0 + np.random.default_rng(5).normal(0.0, 1.0, home.points)
    columns = home.inverter_columns() | {"inverter-1.l1.ac_voltage": np.where(home.awake, volts, np.nan)}
    part = home.between(*STUCK)
    for name in names:
        column = columns[f"inverter-1.{name}"]
        column[part] = column[np.flatnonzero(part)[0]]
    return home.raw() | {name: samples(home.times, column) for name, column in columns.items()}


def test_power_and_voltage_that_stand_still_are_told_within_two_hours_and_over_when_they_move() -> None:
    home = Home(home_site(SOUTH, meters=()), START, 3, noise=0.1)
    with judged(home, with_stuck(home, "ac_power", "l1.ac_voltage")) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.VALUES_STUCK
        assert alert.opened_ms is not None
        assert 1.4 * HOUR_MS < alert.opened_ms - parse_iso(STUCK[0]) <= 2 * HOUR_MS
        assert abs(alert.onset_ms - parse_iso(STUCK[0])) <= HOUR_MS / 6
        assert alert.closed_as is ClosedAs.RECOVERED
        assert alert.loss_mwh == 0


@pytest.mark.parametrize("name", ["ac_power", "l1.ac_voltage"])
def test_one_of_them_alone_is_not_told(name: str) -> None:
    home = Home(home_site(SOUTH, meters=()), START, 3, noise=0.1)
    with judged(home, with_stuck(home, name)) as ledger:
        assert not told(ledger, Finding.VALUES_STUCK)
