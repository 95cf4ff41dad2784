"""Case F4: an array larger than its inverter stands at the limit for hours, and cloud edges outshine the clear sky.

A plateau at the known limit is design, also where nobody typed it and it was always there. A lower one that is new is
held back by something, whatever the house takes. Peaks of seconds are neither fault nor misreading.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, broken, home_site, means, polled, samples
from tests.detect.made_lines import judged, told
from watcher.align.build import build_window
from watcher.align.window import Floats, SampleFlag
from watcher.detect.states import State
from watcher.domain.alert import Alert
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, Site, SourceKind

START = parse_iso("2026-06-01T00:00:00Z")
OVERSIZED = replace(SOUTH, peak_power_w=5000.0)


def a_home(days: int, clearness: Floats | float = 1.0, site: Site | None = None) -> Home:
    return Home(site or home_site(OVERSIZED, meters=()), START, days, clearness, noise=0.004)


def capped(home: Home, most_w: float, first_day: int = 0, *, state: bool = False) -> dict[str, Samples]:
    """Its readings with a ceiling from a day on. state: it says by itself that it is held back"""
    free = home.ac_w("inverter-1").copy()
    after = np.arange(home.points) >= first_day * POINTS_A_DAY
    share = np.where(after & (free > most_w), most_w / np.maximum(free, 1.0), 1.0)
    for name in home.share:
        home.share[name] = home.share[name] * share
    raw = dict(home.raw())
    chance = np.random.default_rng(8)
    made = home.ac_w("inverter-1")
    trembling = np.where(share < 1.0, made * (1.0 + 0.002 * chance.uniform(-1.0, 1.0, home.points)), made)
    raw["inverter-1.ac_power"] = samples(home.times, np.where(home.awake, trembling, np.nan))
    if state:
        said = np.where(share < 1.0, float(State.THROTTLED), float(State.PRODUCING))
        raw["inverter-1.operating_state"] = samples(home.times, np.where(home.awake, said, np.nan))
    return raw


def limited(home: Home, raw: dict[str, Samples]) -> Alert:
    """The one alert there is."""
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
    assert alert.finding is Finding.POWER_LIMITED
    return alert


def test_case_f4_a_plateau_at_the_rating_is_no_finding() -> None:
    home = a_home(6)
    assert np.nanmax(home.ac_w("inverter-1")) < 1.01 * 3680.0
    with judged(home, capped(home, 3680.0, state=True)) as ledger:
        assert not told(ledger)


def test_case_f4_broken_cloud_with_peaks_over_the_rating_is_no_finding_and_no_misreading() -> None:
    home = a_home(5, broken(5 * POINTS_A_DAY, 3, level=0.75, spread=0.55))
    raw = dict(home.raw())
    peaks = np.array(raw["inverter-1.ac_power"].value)
    at = np.flatnonzero(peaks > 3300.0)[::7]
    peaks[at] = 3860.0
    column = raw["inverter-1.ac_power"]
    raw["inverter-1.ac_power"] = Samples.of(zip(column.time_ms, peaks.tolist(), strict=True))
    light = np.array(raw["sensor-1.ghi"].value)
    light[np.argmax(light)] = 1290.0
    raw["sensor-1.ghi"] = Samples.of(zip(raw["sensor-1.ghi"].time_ms, light.tolist(), strict=True))
    window = build_window(home.site, raw, (), home.start_ms, home.points)
    for name in ("inverter-1.ac_power", "sensor-1.ghi"):
        gauge = window.gauge(name)
        assert gauge is not None
        assert not (gauge.flags & np.uint8(SampleFlag.OUT_OF_RANGE)).any()
    with judged(home, raw) as ledger:
        assert not told(ledger)


def test_case_f4_swings_of_minutes_are_not_held_against_hourly_weather() -> None:
    sources = (polled("inverter-1"), means("weather-nowcast", 3600.0))
    site = home_site(OVERSIZED, meters=(), sensors=(), sources=sources)
    home = a_home(5, broken(5 * POINTS_A_DAY, 3, level=0.55, spread=0.45), site)
    with judged(home, {**home.raw(), **home.weather("weather-nowcast", 60, error=0.1)}) as ledger:
        assert not told(ledger)


def test_case_f4_a_rating_on_file_that_is_too_high_makes_no_fault_of_a_plateau_that_was_always_there() -> None:
    home = a_home(12, site=home_site(OVERSIZED, meters=(), inverters=(Inverter("inverter-1", 5000.0),)))
    with judged(home, capped(home, 3680.0)) as ledger:
        assert not told(ledger)


@pytest.mark.parametrize("state", [True, False], ids=["it says that it is limited", "it tells no state"])
def test_case_f4_a_lower_plateau_that_is_new_is_limited_output_and_nothing_else(state: bool) -> None:
    home = a_home(12)
    alert = limited(home, capped(home, 2500.0, 6, state=state))
    assert alert.causes == ("limiter-fail-safe", "setting-changed", "inverter-stage-out")
    assert alert.opened_ms is not None
    assert alert.opened_ms <= START + 8 * DAY_MS + 4 * HOUR_MS  # the morning after the second day
    assert alert.onset_low_ms <= START + 6 * DAY_MS + 12 * HOUR_MS
    assert START + 6 * DAY_MS <= alert.onset_ms <= START + 7 * DAY_MS
    assert alert.evidence["level_kw"] == pytest.approx(2.5, abs=0.03)
    assert alert.loss_mwh > 0


def test_case_f4_a_lower_plateau_on_file_as_exports_limited_is_a_limiter_in_fail_safe() -> None:
    home = a_home(12, site=home_site(OVERSIZED, meters=(), export_limit_w=1500.0))
    assert limited(home, capped(home, 2500.0, 6)).causes == ("limiter-fail-safe",)


def test_case_f4_a_lower_plateau_with_a_hot_heat_sink_is_heat() -> None:
    home = a_home(12)
    raw = capped(home, 3100.0, 6, state=True)
    hot = np.where(home.ac_w("inverter-1") > 2600.0, 74.0, 45.0)
    raw["inverter-1.temp_heatsink"] = samples(home.times, np.where(home.awake, hot, np.nan))
    assert limited(home, raw).causes == ("heat",)


def test_case_f4_a_lower_plateau_that_was_always_there_is_no_news_and_asked_about_where_the_inverter_speaks_of_it() -> (
    None
):
    home = a_home(12)
    with judged(home, capped(home, 2500.0)) as ledger:
        assert not told(ledger, Finding.POWER_LIMITED)
    said = limited(a_home(12), capped(a_home(12), 2500.0, state=True))
    assert said.causes == ("limit-unknown",)


def test_case_f4_sunny_days_over_the_plateau_end_it() -> None:
    home = a_home(16)
    raw = capped(home, 2500.0, 6)
    home.share = {
        name: np.where(np.arange(home.points) < 10 * POINTS_A_DAY, share, 1.0) for name, share in home.share.items()
    }
    after = home.raw()
    begin_ms = START + 10 * DAY_MS
    for name, column in raw.items():
        rows = [row for row in zip(column.time_ms, column.value, strict=True) if row[0] < begin_ms]
        rows += [row for row in zip(after[name].time_ms, after[name].value, strict=True) if row[0] >= begin_ms]
        raw[name] = Samples.of(rows)
    alert = limited(home, raw)
    assert alert.cleared_ms is not None
    assert begin_ms + 2 * DAY_MS < alert.cleared_ms < begin_ms + 5 * DAY_MS


@pytest.mark.parametrize("hourly", [True, False], ids=["hourly means", "momentary values"])
def test_case_f4_the_round_top_of_clear_days_at_half_the_output_is_no_plateau(hourly: bool) -> None:
    sources = (means("inverter-1", 3600.0, SourceKind.FILE),) if hourly else (polled("inverter-1"),)
    home = a_home(12, site=home_site(OVERSIZED, meters=(), sources=sources))
    for name in home.share:
        home.share[name] = np.where(
            np.arange(home.points) >= 5 * POINTS_A_DAY, 0.55 * home.share[name], home.share[name]
        )
    raw = {name: column for name, column in home.raw().items() if not name.startswith("inverter-1.")}
    power = home.ac_w("inverter-1")
    if hourly:
        labels = home.start_ms + HOUR_MS * np.arange(1, home.points // 12 + 1, dtype=np.int64)
        raw["inverter-1.ac_power"] = samples(labels, power.reshape(-1, 12).mean(axis=1))
    else:
        raw["inverter-1.ac_power"] = samples(home.times, np.where(home.awake, power, np.nan))
    with judged(home, raw) as ledger:
        assert {alert.finding for alert in told(ledger)} == {Finding.OUTPUT_LOW}
