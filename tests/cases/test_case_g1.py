"""Case G1: one of two parallel strings dead, and the same loss in its other common forms; from readings to mails."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import EAST, WEST, Home, broken, by_day, home_site
from tests.detect.made_lines import judged, standing, told
from watcher.domain.alert import AlertState, ClosedAs, MailReason
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY, local_day_of, parse_iso
from watcher.domain.site import Array, Inverter
from watcher.store.ledger import Ledger

START = parse_iso("2026-05-08T00:00:00Z")
FAULT = "2026-05-12T10:15:00Z"
REPAIRED = "2026-05-18T12:00:00Z"
# 12 May clear; then two overcast days (E about 3 kWh a day), then clear.
DAYS = 15
SKY = by_day(1.0, 0.9, 1.0, 0.95, 1.0, 0.095, 0.095, 1.0, 1.0, 0.95, 1.0, 1.0, 0.9, 1.0, 0.9)


def home_of(strings: int) -> Home:
    """7.0 kWp, polled every five minutes, at 262 V; from 10:15 one string is gone: 0.50 of E within 0.02."""
    array = Array("south", 35.0, 180.0, 7000.0, "inverter-1.input-1", parallel_strings=strings)
    home = Home(home_site(array, inverters=(Inverter("inverter-1", 7000.0),)), START, DAYS, SKY, noise=0.05)
    home.voltage["inverter-1.input-1"][:] = 262.0
    gone = home.between(FAULT, REPAIRED)
    chance = np.random.default_rng(8)
    left = (strings - 1) / strings
    home.share["inverter-1.input-1"][gone] = left + chance.uniform(-0.02, 0.02, int(gone.sum()))
    return home


@pytest.fixture(scope="module")
def two() -> Iterator[tuple[Home, Ledger]]:
    home = home_of(2)
    with judged(home) as ledger:
        yield home, ledger


def test_case_g1_a_dead_string_is_told_the_same_day_with_its_clock_time(two: tuple[Home, Ledger]) -> None:
    home, ledger = two
    dull = home.between("2026-05-13T00:00:00Z", "2026-05-14T00:00:00Z")
    assert home.possible.by_subject["inverter-1"].expected[dull].sum() / 12_000 == pytest.approx(3.0, abs=0.5)
    (alert,) = told(ledger)
    assert (alert.finding, alert.subject) == (Finding.STRING_OPEN, "inverter-1.input-1")
    assert alert.causes == ("parallel-string",)
    assert alert.opened_ms is not None
    assert alert.opened_ms <= parse_iso("2026-05-12T20:00:00Z")
    assert abs(alert.onset_ms - parse_iso(FAULT)) <= 10 * MINUTE_MS
    assert alert.onset_low_ms <= parse_iso(FAULT) <= alert.onset_high_ms
    opened = next(mail for mail in ledger.mails("home-1") if mail.reason is MailReason.OPENED)
    assert opened.alert.evidence["strings"] == 2.0
    assert float(opened.alert.evidence["share"]) == pytest.approx(0.5, abs=0.06)
    assert float(opened.alert.evidence["voltage_v"]) == pytest.approx(262.0)


def test_case_g1_it_stays_open_through_dull_days_is_not_repeated_daily_and_clears_on_repair(
    two: tuple[Home, Ledger],
) -> None:
    home, ledger = two
    (alert,) = told(ledger)
    assert (alert.state, alert.closed_as) == (AlertState.CLEARED, ClosedAs.RECOVERED)
    assert alert.cleared_ms is not None
    assert parse_iso(REPAIRED) < alert.cleared_ms <= parse_iso(REPAIRED) + DAY_MS
    mails = [(mail.reason, local_day_of(mail.decided_ms, home.site.zone).day) for mail in ledger.mails("home-1")]
    assert mails == [
        *[(MailReason.OPENED, 12)] * 2,
        *[(MailReason.REMINDER, 15)] * 2,
        *[(MailReason.CLEARED, 18)] * 2,
    ]
    gone = home.between(FAULT, REPAIRED)
    lost_kwh = float((home.possible.by_subject["inverter-1"].expected - home.ac_w("inverter-1"))[gone].sum()) / 12_000
    assert alert.loss_low_mwh / 1e6 <= lost_kwh <= alert.loss_high_mwh / 1e6


def test_case_g1_one_of_three_strings_is_about_a_third() -> None:
    home = home_of(3)
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.STRING_OPEN, ("parallel-string",))
        assert alert.opened_ms is not None
        assert local_day_of(alert.opened_ms, home.site.zone).day == 12
        assert alert.evidence["strings"] == 3.0
        opened = next(mail for mail in ledger.mails("home-1") if mail.reason is MailReason.OPENED)
        assert float(opened.alert.evidence["share"]) == pytest.approx(2 / 3, abs=0.08)


@pytest.mark.parametrize("strings", [2, 3])
def test_case_g1_with_ac_power_alone_low_output_tells_the_fraction_and_the_hour(strings: int) -> None:
    home = home_of(strings)
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.OUTPUT_LOW
        assert alert.causes == ("step-fraction",)
        opened = next(mail for mail in ledger.mails("home-1") if mail.reason is MailReason.OPENED)
        assert opened.alert.evidence["strings"] == float(strings)
        assert float(opened.alert.evidence["share"]) == pytest.approx((strings - 1) / strings, abs=0.05)
        assert abs(alert.onset_ms - parse_iso(FAULT)) <= 30 * MINUTE_MS
        assert alert.opened_ms is not None
        # Within two clear days: 12 May and, after the two dull ones, 15 May; told when that has settled.
        assert alert.opened_ms <= parse_iso("2026-05-16T03:00:00Z")
        assert alert.cleared_ms is not None
        assert alert.cleared_ms > parse_iso(REPAIRED)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("strings", "inputs"), [pytest.param(3, True, id="one of three"), pytest.param(4, False, id="a quarter, AC alone")]
)
def test_case_g1_a_fault_that_lasts_a_month_does_not_become_usual(strings: int, inputs: bool) -> None:
    array = Array("south", 35.0, 180.0, 3600.0, "inverter-1.input-1", parallel_strings=strings)
    home = Home(home_site(array), START, 20, 0.95)
    home.share["inverter-1.input-1"][home.between("2026-05-11T10:15:00Z")] *= (strings - 1) / strings
    raw = {name: column for name, column in home.raw().items() if inputs or ".input" not in name}
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert alert.state is AlertState.OPEN
        assert alert.loss_mwh / 1e6 > 16 * (5.0 if strings == 3 else 3.5)
        assert {mail.reason for mail in ledger.mails("home-1")} == {MailReason.OPENED, MailReason.REMINDER}


JUNE = parse_iso("2026-06-15T00:00:00Z")
DIES = "2026-06-18T09:40:00Z"


@pytest.mark.parametrize(
    ("volts", "cause"),
    [
        pytest.param("open", ("voltage-open-circuit",), id="the panels are there and nothing is drawn"),
        pytest.param("none", ("voltage-none",), id="nothing arrives"),
        pytest.param("drifting", ("voltage-drifting",), id="a loose end"),
    ],
)
@pytest.mark.parametrize("modules_on_file", [True, False], ids=["modules on file", "no modules on file"])
def test_an_east_or_west_input_without_current_is_found_within_two_lit_hours(
    volts: str, cause: tuple[str, ...], modules_on_file: bool
) -> None:
    west = replace(WEST, modules_in_series=9) if modules_on_file else WEST
    if modules_on_file:
        west = replace(west, module=replace(west.module, vmp_v=31.3))
    home = Home(home_site(EAST, west), JUNE, 5)
    name = "inverter-1.input-2"
    home.voltage[name][:] = 281.7
    dead = home.between(DIES)
    home.share[name][dead] = 0.0
    chance = np.random.default_rng(6)
    home.voltage[name][dead] = {
        "open": np.full(int(dead.sum()), 281.7 * 1.19),
        "none": np.zeros(int(dead.sum())),
        "drifting": 281.7 * chance.uniform(0.15, 0.9, int(dead.sum())),
    }[volts]
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.subject, alert.causes) == (Finding.STRING_OPEN, name, cause)
        assert alert.opened_ms is not None
        # West of the ridge the sun is on the panels by then: lit time is clock time.
        assert alert.opened_ms - parse_iso(DIES) <= 2 * HOUR_MS
        assert alert.onset_low_ms <= parse_iso(DIES) <= alert.onset_high_ms
        assert standing(ledger) == [alert], "it is open still, two days and nights later"


def test_case_f5_healthy_east_and_west_june_days_raise_nothing() -> None:
    home = Home(home_site(EAST, WEST), JUNE, 5)
    ten, four = (int((parse_iso(f"2026-06-16T{hour}:00:00Z") - JUNE) / (5 * MINUTE_MS)) for hour in ("10", "16"))
    east, west = (home.input_w(name) for name in ("inverter-1.input-1", "inverter-1.input-2"))
    assert east[ten] > 1.3 * west[ten]
    assert west[four] > 1.3 * east[four]
    with judged(home) as ledger:
        assert ledger.alerts("home-1") == [], "not even a suspicion"


@pytest.mark.parametrize(
    "arrays",
    [
        pytest.param((EAST, replace(WEST, input=EAST.input)), id="M: both on one tracker"),
        pytest.param((replace(EAST, peak_power_w=2400.0), replace(WEST, peak_power_w=1600.0)), id="S: six and four"),
    ],
)
def test_case_f5_other_shapes_of_east_and_west_raise_nothing(arrays: tuple[Array, ...]) -> None:
    home = Home(home_site(*arrays), JUNE, 4, np.concatenate([by_day(1.0, 1.0), broken(2 * POINTS_A_DAY, 3)]))
    with judged(home) as ledger:
        assert told(ledger) == []
