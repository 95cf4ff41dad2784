"""A register that runs backwards is called that, within hours, and nothing else is: not a dip, an exchange, a night."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.detect.made_homes import METER, SOUTH, Home, broken, every, home_site, polled
from tests.detect.made_lines import judged, told
from watcher.domain.alert import ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Meter, RegisterType
from watcher.expect.geometry import sky_of_day

START = parse_iso("2026-06-10T00:00:00Z")
TURNED, RIGHTED = "2026-06-11T08:00:00Z", "2026-06-12T12:00:00Z"


def home_of(meter: Meter = METER, days: int = 4, **facts: object) -> Home:
    return Home(home_site(meters=(meter,), **facts), START, days, broken(days * POINTS_A_DAY, 3, level=0.65))


@pytest.mark.parametrize(
    ("decimals", "within_hours"),
    [
        pytest.param(3, 0.5, id="watt-hours"),
        pytest.param(1, 1.5, id="tenths of a kWh"),
        pytest.param(0, 3.5, id="whole kWh"),
    ],
)
def test_a_register_that_runs_backwards_is_told_within_hours_and_closed_when_it_counts_up(
    decimals: int, within_hours: float
) -> None:
    home = home_of(replace(METER, decimals=decimals))
    turned = home.between(TURNED, RIGHTED)
    home.counting[turned] = -1.0
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.METER_REVERSED, ("register-falls",))
        assert alert.opened_ms is not None
        assert alert.opened_ms - parse_iso(TURNED) <= within_hours * HOUR_MS
        assert alert.onset_low_ms <= parse_iso(TURNED) + HOUR_MS
        assert alert.onset_high_ms >= parse_iso(TURNED)
        assert alert.closed_as is ClosedAs.RECOVERED
        assert alert.cleared_ms is not None
        assert 0 < alert.cleared_ms - parse_iso(RIGHTED) <= 3 * HOUR_MS
        # Made and not counted, and as much again taken off.
        off_kwh = 2.0 * home.ac_w("inverter-1")[turned].sum() / 12_000
        assert alert.loss_low_mwh / 1e6 <= off_kwh <= alert.loss_high_mwh / 1e6


def test_one_read_by_the_hour_is_told_as_well() -> None:
    home = home_of(sources=(polled("inverter-1"), polled("meter-1", 3600.0)))
    home.counting[home.between(TURNED)] = -1.0
    with judged(home, every(home.raw(), HOUR_MS, "meter-1")) as ledger:
        (alert,) = told(ledger, Finding.METER_REVERSED, Finding.METER_STALLED)
        assert alert.finding is Finding.METER_REVERSED
        assert alert.opened_ms is not None
        assert alert.opened_ms - parse_iso(TURNED) <= 4 * HOUR_MS


def test_one_whose_register_has_gone_round_below_nought_stays_told() -> None:
    home = home_of()
    home.counting[home.between(TURNED)] = -1.0
    raw = home.raw()
    index = raw["meter-1.energy_index"]
    round_wh = 1000.0 * 10.0**METER.digits
    at = next(v for t, v in zip(index.time_ms, index.value, strict=True) if t >= parse_iso(TURNED))
    low = Samples.of((t, (v - at + 3_000.0) % round_wh) for t, v in zip(index.time_ms, index.value, strict=True))
    with judged(home, {**raw, "meter-1.energy_index": low}) as ledger:
        assert [alert.closed_as for alert in told(ledger, Finding.METER_REVERSED)][-1] is None


# What is not backwards


def _bent(raw: dict[str, Samples], values: list[float]) -> dict[str, Samples]:
    index = raw["meter-1.energy_index"]
    return {**raw, "meter-1.energy_index": Samples.of(zip(index.time_ms, values, strict=True))}


def test_an_exchange_that_nobody_told_of_is_no_register_running_backwards() -> None:
    home = home_of()
    raw = home.raw()
    index = raw["meter-1.energy_index"]
    values = [v if t < parse_iso(TURNED) else v - 18_400_000.0 for t, v in zip(index.time_ms, index.value, strict=True)]
    with judged(home, _bent(raw, values)) as ledger:
        assert told(ledger, Finding.METER_REVERSED, Finding.METER_STALLED) == []


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 99))
def test_readings_that_are_wrong_now_and_then_are_no_register_running_backwards(seed: int) -> None:
    home = home_of(days=3)
    raw = home.raw()
    chance = np.random.default_rng(seed)
    values = np.array(raw["meter-1.energy_index"].value)
    wrong = chance.uniform(size=len(values)) < 0.05
    values[wrong] -= chance.choice([100.0, 200.0, 1000.0, 5e6], int(wrong.sum()))
    with judged(home, _bent(raw, values.tolist())) as ledger:
        assert told(ledger, Finding.METER_REVERSED) == []


def test_what_an_inverter_draws_at_night_on_a_register_that_nets_it_is_nothing_of_the_kind() -> None:
    meter = replace(METER, register=RegisterType.NET, decimals=3)
    home = home_of(meter)
    raw = home.raw()
    index = raw["meter-1.energy_index"]
    dark = np.concatenate([sky_of_day(53.5, -2.2, 50.0, START + k * 86_400_000).ghi for k in range(4)]) <= 0.0
    drawn = np.cumsum(np.where(dark, 9.0, 0.0) / 12.0)
    with judged(home, _bent(raw, (np.array(index.value) - drawn).tolist())) as ledger:
        assert told(ledger, Finding.METER_REVERSED) == []


def test_case_b1_a_meter_that_stands_still_stays_stalled_though_its_last_step_was_back() -> None:
    home = home_of()
    raw = home.raw()
    index = raw["meter-1.energy_index"]
    still = next(v for t, v in zip(index.time_ms, index.value, strict=True) if t >= parse_iso(TURNED))
    values = [v if t < parse_iso(TURNED) else still - 100.0 for t, v in zip(index.time_ms, index.value, strict=True)]
    with judged(home, _bent(raw, values)) as ledger:
        assert [alert.finding for alert in told(ledger)] == [Finding.METER_STALLED]


def test_a_small_plant_in_winter_is_told_the_same_day() -> None:
    small = replace(SOUTH, peak_power_w=1500.0)
    home = Home(home_site(small), parse_iso("2026-12-08T00:00:00Z"), 3, 0.9)
    home.counting[home.between("2026-12-09T00:00:00Z")] = -1.0
    with judged(home) as ledger:
        (alert,) = told(ledger, Finding.METER_REVERSED)
        assert alert.opened_ms is not None
        assert alert.opened_ms < parse_iso("2026-12-09T14:00:00Z")
