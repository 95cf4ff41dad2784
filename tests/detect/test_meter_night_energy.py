"""A meter that counts at night is told of within days and by what it looks like; a home without stays quiet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import METER, SOUTH, Home, broken, every, home_site, polled
from tests.detect.made_lines import judged, told
from watcher.alert.policy import POLICY
from watcher.align.window import Bools, Floats
from watcher.domain.alert import ClosedAs, Severity
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, Meter, RegisterType, Storage

START = parse_iso("2026-06-10T00:00:00Z")
FITTED = "2026-06-11T12:00:00Z"
NIGHT = Finding.METER_NIGHT_ENERGY


def home_of(days: int = 7, meter: Meter = METER, **facts: object) -> Home:
    return Home(home_site(meters=(meter,), **facts), START, days, broken(days * POINTS_A_DAY, 3, level=0.65))


def daily(home: Home, first_h: float, stop_h: float, since: str = FITTED) -> Bools:
    """Intervals between two hours UTC of every day since an instant."""
    hour = home.times % DAY_MS / HOUR_MS
    return home.between(since) & (hour >= first_h) & (hour < stop_h)


def adding(home: Home, power_w: Floats) -> dict[str, Samples]:
    """The readings with a meter that counts more than the inverter makes by this power."""
    meter = home.site.meters[0]
    inverter = np.sum([home.ac_w(name) for name in meter.covers], axis=0)
    counted = np.cumsum(inverter + power_w) / 12.0
    index = np.floor((18_452_300.0 + counted) / meter.resolution_wh) * meter.resolution_wh
    rows = zip(home.times.tolist(), index.tolist(), strict=True)
    return {**home.raw(), "meter-1.energy_index": Samples.of(rows)}


def test_a_battery_charged_from_the_mains_on_a_register_that_adds_both_ways_is_told_within_three_nights() -> None:
    home = home_of(meter=replace(METER, register=RegisterType.ADDS_BOTH))
    charging = daily(home, 0.5, 2.5)  # 5 kWh in the cheap hours
    with judged(home, adding(home, np.where(charging, 2500.0, 0.0))) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (NIGHT, ("grid-charging",))
        assert alert.opened_ms is not None
        assert alert.opened_ms - parse_iso(FITTED) <= 3 * DAY_MS
        assert alert.onset_low_ms <= parse_iso("2026-06-12T00:30:00Z") <= alert.onset_high_ms
        assert alert.loss_mwh == 0, "what is counted too much is no loss"
        assert float(alert.evidence["night_kwh"]) == pytest.approx(5.0 * float(alert.evidence["nights"]), abs=0.3)
        assert alert.evidence["serial"] == METER.serial


def test_a_battery_that_is_emptied_in_the_evening_is_told_as_one_and_closed_when_it_is_gone() -> None:
    home = home_of(9)
    evening = daily(home, 21.6, 23.6) & ~home.between("2026-06-14T12:00:00Z")
    with judged(home, adding(home, np.where(evening, 800.0, 0.0))) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (NIGHT, ("battery-discharge",))
        assert alert.closed_as is ClosedAs.RECOVERED


@pytest.mark.parametrize("decimals", [3, 1])
def test_eight_watts_of_standby_are_a_note_of_low_weight_and_no_accusation(decimals: int) -> None:
    home = home_of(9, meter=replace(METER, decimals=decimals, register=RegisterType.ADDS_BOTH))
    dark = ~home.awake
    winter = Home(home.site, parse_iso("2026-01-10T00:00:00Z"), 9, broken(9 * POINTS_A_DAY, 3, level=0.65))
    for one in (home, winter):
        dark = ~one.awake
        with judged(one, adding(one, np.where(dark, 8.0, 0.0))) as ledger:
            alerts = told(ledger)
            assert {(alert.finding, alert.causes) for alert in alerts} <= {(NIGHT, ("own-need-or-creep",))}
            # A register of 0.1 kWh does not see the short nights of June: what it shows of them is a step or two.
            assert len(alerts) == (0 if one is home and decimals == 1 else 1)
    assert POLICY[NIGHT].severity is Severity.PLANNED


def test_a_single_night_is_chance() -> None:
    home = home_of()
    once = home.between("2026-06-12T00:30:00Z", "2026-06-12T02:30:00Z")
    with judged(home, adding(home, np.where(once, 1500.0, 0.0))) as ledger:
        assert told(ledger) == []


@pytest.mark.parametrize("storage", [Storage.NONE, Storage.AC])
@pytest.mark.parametrize("meter_every_s", [300.0, 3600.0])
def test_a_home_that_makes_nothing_at_night_is_left_alone(storage: Storage, meter_every_s: float) -> None:
    """By the hour the last sun of a strong plant stands between two readings."""
    strong = replace(SOUTH, peak_power_w=40_000.0)
    home = home_of(
        arrays=(strong,),
        inverters=(Inverter("inverter-1", 36_000.0, storage=storage),),
        sources=(polled("inverter-1"), polled("meter-1", meter_every_s)),
    )
    with judged(home, every(home.raw(), int(meter_every_s * 1000), "meter-1")) as ledger:
        assert told(ledger) == []
        verdicts = {run.code for run in ledger.runs("home-1") if run.finding is NIGHT}
        assert "meter-night-energy.stands-still" in verdicts


def test_what_a_battery_on_file_gives_at_night_is_no_news() -> None:
    """An inverter with a battery on its DC side makes power all night, and its meter counts it."""
    home = home_of(inverters=(Inverter("inverter-1", 3680.0, storage=Storage.DC),))
    home.awake[:] = True
    given = np.where(daily(home, 21.5, 24.0, "2026-06-10T12:00:00Z"), 600.0, 0.0)
    raw = adding(home, given)
    power = home.ac_w("inverter-1") + given
    times = home.times.tolist()
    raw["inverter-1.ac_power"] = Samples.of(zip(times, power.tolist(), strict=True))
    raw["inverter-1.ac_energy"] = Samples.of(zip(times, (5e6 + np.cumsum(power) / 12.0).tolist(), strict=True))
    with judged(home, raw) as ledger:
        assert told(ledger, NIGHT) == []
        assert "meter-night-energy.stands-still" in {run.code for run in ledger.runs("home-1") if run.finding is NIGHT}


def test_a_register_that_leaps_or_begins_anew_at_night_counts_nothing() -> None:
    home = home_of()
    raw = home.raw()
    for day, wh in ((12, 81_500_000.0), (13, -90_000_000.0)):
        at_ms = parse_iso(f"2026-06-{day}T01:00:00Z")
        index = raw["meter-1.energy_index"]
        rows = zip(index.time_ms, index.value, strict=True)
        raw["meter-1.energy_index"] = Samples.of((t, v + wh if t >= at_ms else v) for t, v in rows)
    with judged(home, raw) as ledger:
        assert told(ledger, NIGHT) == []
