"""Case F2: with exports limited and the battery full, output follows the house, and irradiance calls it a fault.

Where the limit is on file nothing is said and what it held back is kept apart; where it is not, the trade is asked once
whether there is one. A row of panels that fails there is found as anywhere else.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, home_site, samples
from tests.detect.made_lines import judged, told
from watcher.align.window import Bools, Floats
from watcher.detect.states import State
from watcher.domain.alert import Alert
from watcher.domain.finding import Finding, Verdict
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Array, Inverter, Module, Role
from watcher.store.ledger import Ledger

START = parse_iso("2026-06-01T00:00:00Z")
MODULE = Module(vmp_v=35.0)
ROWS = tuple(
    replace(
        SOUTH, id=f"row-{n}", input=f"inverter-1.input-{n}", peak_power_w=3200.0, modules_in_series=10, module=MODULE
    )
    for n in (1, 2)
)


@dataclass
class Throttled:
    """From 12 to 15 o'clock of the given days output is what the house takes, under panels at 50 V more."""

    days: int
    held_days: tuple[int, ...]
    limit_w: float | None
    arrays: tuple[Array, ...] = ROWS
    home: Home = field(init=False)
    load_w: Floats = field(init=False)
    held: Bools = field(init=False)

    def __post_init__(self) -> None:
        facts = {"meters": (), "inverters": (Inverter("inverter-1", 5000.0),), "export_limit_w": self.limit_w}
        self.home = Home(home_site(*self.arrays, **facts), START, self.days, noise=0.004)
        chance = np.random.default_rng(5)
        self.load_w = np.repeat(chance.uniform(480.0, 2600.0, self.home.points // 2), 2)
        hours = np.arange(self.home.points) % POINTS_A_DAY / 12.0
        day = np.arange(self.home.points) // POINTS_A_DAY
        self.held = np.isin(day, self.held_days) & (hours >= 11.0) & (hours < 14.0)  # UTC
        # The voltage of panels at work, cooler in the morning than at noon.
        heat = self.home.possible.by_subject["inverter-1"].expected / 5000.0
        for name in self.home.share:
            self.home.voltage[name] = 350.0 * (1.03 - 0.1 * heat)

    def throttle(self) -> None:
        free = self.home.ac_w("inverter-1")
        share = np.where(self.held & (free > self.load_w), self.load_w / np.maximum(free, 1.0), 1.0)
        for name in self.home.share:
            self.home.share[name] = self.home.share[name] * share
            self.home.voltage[name] = self.home.voltage[name] + np.where(share < 1.0, 50.0, 0.0)

    def raw(self, *, grid: bool = False, full: bool = False, state: bool = False) -> dict[str, Samples]:
        """Its readings. grid: with a meter at the street. full: with the battery's charge. state: it says so itself"""
        self.throttle()
        home, more = self.home, {}
        if grid:
            chance = np.random.default_rng(6)
            left = self.load_w - home.ac_w("inverter-1")
            seen = np.where(self.held, chance.uniform(-30.0, 60.0, home.points), np.maximum(left, 0.0))
            more["grid.grid_power"] = samples(home.times, seen)
        if full:
            more["battery.state_of_charge"] = samples(home.times, np.where(self.held, 100.0, 60.0))
        if state:
            said = np.where(self.held, float(State.THROTTLED), float(State.PRODUCING))
            more["inverter-1.operating_state"] = samples(home.times, np.where(home.awake, said, np.nan))
        return home.raw() | more


def kept_apart_wh(ledger: Ledger) -> float:
    """What the limit on file is said to have held back."""
    runs = [run for run in ledger.runs("home-1") if run.code == "explained.export-limit"]
    assert all(run.verdict is not Verdict.FAULT and run.loss_mwh == 0 for run in runs)
    return sum((run.expected or 0.0) - (run.observed or 0.0) for run in runs)


@pytest.mark.parametrize("state", [True, False], ids=["it says that it is limited", "it tells no state"])
@pytest.mark.parametrize("seen", [True, False], ids=["main: grid and battery are read", "variant K: neither is"])
def test_case_f2_a_limit_on_file_explains_it_and_what_it_cost_is_kept_apart(seen: bool, state: bool) -> None:
    made = Throttled(6, (1, 2, 3, 4), 0.0)
    with judged(made.home, made.raw(grid=seen, full=seen, state=state)) as ledger:
        assert not told(ledger)
        # Twelve hours in all of 4 kW or so, of which the house took a good third.
        assert 15_000.0 < kept_apart_wh(ledger) < 40_000.0


@pytest.mark.parametrize("state", [True, False], ids=["it says that it is limited", "it tells no state"])
def test_case_f2_variant_u_without_a_limit_on_file_the_trade_is_asked_once(state: bool) -> None:
    made = Throttled(16, (1, 2, 3, 4, 7, 9, 12), None)
    with judged(made.home, made.raw(state=state)) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.subject) == (Finding.POWER_LIMITED, "inverter-1")
        assert "limit-unknown" in alert.causes
        assert alert.opened_ms is not None
        assert alert.opened_ms <= START + 3 * DAY_MS + 4 * HOUR_MS
        assert [mail.role for mail in ledger.mails("home-1")] == [Role.INSTALLER]


@pytest.mark.parametrize("limit_w", [0.0, None], ids=["limit on file", "variant U"])
def test_case_f2_a_row_that_fails_there_is_found_within_three_days(limit_w: float | None) -> None:
    made = Throttled(9, tuple(range(1, 9)), limit_w)
    gone = np.arange(made.home.points) >= 5 * POINTS_A_DAY + 9 * 12
    made.home.share["inverter-1.input-2"][gone], made.home.voltage["inverter-1.input-2"][gone] = 0.0, 425.0
    with judged(made.home, made.raw()) as ledger:
        alerts: list[Alert] = told(ledger)
        opened = {alert.finding: alert for alert in alerts}
        assert set(opened) == {Finding.STRING_OPEN} | ({Finding.POWER_LIMITED} if limit_w is None else set())
        found = opened[Finding.STRING_OPEN]
        assert found.subject == "inverter-1.input-2"
        assert found.opened_ms is not None
        assert found.opened_ms <= START + 8 * DAY_MS


@pytest.mark.parametrize("limit_w", [0.0, None], ids=["limit on file", "variant U"])
def test_case_f2_one_of_two_parallel_rows_that_fails_there_is_found_within_three_days(limit_w: float | None) -> None:
    rows = (replace(ROWS[0], parallel_strings=2), replace(ROWS[1], parallel_strings=2))
    made = Throttled(9, tuple(range(1, 9)), limit_w, rows)
    gone = np.arange(made.home.points) >= 5 * POINTS_A_DAY + 9 * 12
    made.home.share["inverter-1.input-2"][gone] *= 0.5
    with judged(made.home, made.raw()) as ledger:
        alerts = {alert.finding: alert for alert in told(ledger)}
        assert set(alerts) == {Finding.STRING_OPEN} | ({Finding.POWER_LIMITED} if limit_w is None else set())
        opened_ms = alerts[Finding.STRING_OPEN].opened_ms
        assert opened_ms is not None
        assert opened_ms <= START + 8 * DAY_MS + 4 * HOUR_MS
