"""Facts with a date, another inverter from 1 June or a battery from 1 September: no alert, and live is replay."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, broken, home_site
from tests.detect.made_lines import bench, stored, told
from watcher.catch_up import Case, catch_up
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, SiteRecord, Storage
from watcher.store.ledger import Ledger

DAYS, BEFORE = 24, 16
OLD = Inverter("inverter-1", 3680.0, serial="I-1")
NEW = replace(OLD, ac_limit_w=4000.0, serial="I-2")
HYBRID = replace(NEW, storage=Storage.DC)


def record(*inverters: Inverter) -> SiteRecord:
    site = home_site(inverters=inverters[:1])
    return SiteRecord(site, site.arrays, inverters, site.meters, site.sensors)


@cache
def exchanged() -> tuple[SiteRecord, Home, dict[str, Samples]]:
    """Another inverter stands in at half past ten on 1 June: its counter begins at nought, its limit is higher."""
    on = parse_iso("2026-05-31T23:00:00Z")  # 1 June at home
    home = Home(home_site(SOUTH, inverters=(OLD,)), _start(on), DAYS, _sky(3))
    off = home.between("2026-06-01T08:40:00Z", "2026-06-01T09:30:00Z")
    home.awake &= ~off
    home.share["inverter-1.input-1"][off] = 0.0
    raw = home.raw()
    counter = raw["inverter-1.ac_energy"]
    rows = list(zip(counter.time_ms, counter.value, strict=True))
    at_ms = parse_iso("2026-06-01T09:30:00Z")
    first = next(value for time_ms, value in rows if time_ms >= at_ms)
    anew = Samples.of((time_ms, value - first if time_ms >= at_ms else value) for time_ms, value in rows)
    return record(OLD, replace(NEW, from_ms=on)), home, {**raw, "inverter-1.ac_energy": anew}


@cache
def with_a_battery() -> tuple[SiteRecord, Home, dict[str, Samples]]:
    """From 1 September noon is stored on the DC side and given in the evening, through the same meter."""
    on = parse_iso("2026-08-31T23:00:00Z")
    home = Home(home_site(SOUTH, inverters=(NEW,)), _start(on), DAYS, _sky(4))
    raw = home.raw()
    made = home.ac_w("inverter-1")
    hour = home.times // HOUR_MS % 24
    stores = (home.times >= on) & (hour >= 10) & (hour < 14)
    gives = (home.times >= on) & (hour >= 18) & (hour < 22)
    power = made - np.where(stores, 0.6 * made, 0.0) + np.where(gives, 900.0, 0.0)
    total = np.cumsum(power) / 12.0
    awake = home.awake | gives
    columns = {
        "inverter-1.ac_power": np.where(awake, power, np.nan),
        "inverter-1.ac_energy": np.where(awake, 5e6 + total, np.nan),
        "meter-1.energy_index": np.floor((18e6 + total) / 100.0) * 100.0,
    }
    bent = {name: Samples.of(_rows(home, column)) for name, column in columns.items()}
    return record(NEW, replace(HYBRID, from_ms=on)), home, {**raw, **bent}


def _start(on_ms: int) -> int:
    return on_ms + HOUR_MS - BEFORE * DAY_MS


def _sky(seed: int) -> np.ndarray:
    return broken(DAYS * POINTS_A_DAY, seed, level=0.8, spread=0.2)


def _rows(home: Home, column: np.ndarray) -> Iterator[tuple[int, float]]:
    there = np.isfinite(column)
    return zip(home.times[there].tolist(), column[there].tolist(), strict=True)


CHANGES = {"another inverter on 1 June": exchanged, "a battery on 1 September": with_a_battery}


def judged(facts: SiteRecord, home: Home, raw: dict[str, Samples], steps_ms: tuple[int, ...] = ()) -> Ledger:
    """steps_ms: lengths of the worker's rounds, over and over; none for a replay of all of it"""
    with stored(home, raw) as store:
        ledger = bench(home, store).ledger
        case = Case(home.site.id, store, ledger, lambda _text: facts)
        at_ms, rounds = home.start_ms, 0
        while steps_ms and at_ms < home.end_ms:
            at_ms = min(at_ms + steps_ms[rounds % len(steps_ms)], home.end_ms)
            for _ in catch_up(case, at_ms, from_ms=home.start_ms):
                pass
            rounds += 1
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        return ledger


@pytest.mark.parametrize("made", CHANGES.values(), ids=CHANGES)
def test_no_alert_comes_of_a_fact_that_changes_on_its_date(made: type[exchanged]) -> None:
    with judged(*made()) as ledger:
        assert [(alert.finding, alert.evidence) for alert in told(ledger)] == []


@pytest.mark.slow
@pytest.mark.parametrize("made", CHANGES.values(), ids=CHANGES)
def test_live_is_replay_across_the_date(made: type[exchanged]) -> None:
    outcomes = []
    for steps_ms in ((), (7 * HOUR_MS, 15 * GRID_MS, 26 * HOUR_MS)):
        with judged(*made(), steps_ms) as ledger:
            found = ledger.runs("home-1"), ledger.alerts("home-1"), ledger.days("home-1")
            outcomes.append((*found, ledger.figures("home-1", 0, 2**62)))
    assert outcomes[0] == outcomes[1]
