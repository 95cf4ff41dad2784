"""What an outage has cost: all of it, once, also if it outlasts the window or its sunshine comes a day late."""

from __future__ import annotations

import numpy as np
import pytest

from tests.detect.made_homes import EAST, SOUTH, WEST, Home, home_site, means, polled, samples
from tests.detect.made_lines import Batch, judged, rows_of, told
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, floor_day, parse_iso
from watcher.domain.site import Inverter, Storage

START_MS = parse_iso("2026-05-01T00:00:00Z")
FROM, DAYS = "2026-05-04T09:00:00Z", 22
WEATHER = "weather-analysis"


def _lost_wh(home: Home, names: list[str]) -> float:
    off = home.between(FROM)
    expected = np.sum([home.possible.by_subject[name].expected for name in names], axis=0)
    return float(np.nansum(expected[off])) * GRID_MS / HOUR_MS


def _off(home: Home) -> None:
    for name in home.share:
        home.share[name][home.between(FROM)] = 0.0


@pytest.mark.parametrize("late", [False, True], ids=["on time", "a day late"])
def test_an_outage_longer_than_the_window_is_counted_whole_and_once(late: bool) -> None:
    sources = (polled("inverter-1"), polled("meter-1"), means(WEATHER, 3600.0))
    home = Home(home_site(SOUTH, sensors=(), sources=sources), START_MS, DAYS)
    _off(home)
    home.awake[:] = True
    raw = dict(home.raw())
    batches: list[Batch] = []
    weather = rows_of(home.weather(WEATHER, 60))
    if late:
        for day_ms in range(START_MS, home.end_ms, DAY_MS):
            rows = [row for row in weather if floor_day(row.time_ms - 1) == day_ms]
            batches.append((day_ms + 30 * HOUR_MS, rows))
    else:
        raw |= home.weather(WEATHER, 60)
    with judged(home, raw, batches) as ledger:
        (alert,) = told(ledger, Finding.NO_GENERATION)
    whole = _lost_wh(home, ["inverter-1"])
    missing_day = whole / (DAYS - 3) if late else 0.0  # its last day's sunshine has not come
    # Sunshine by the hour makes some five per cent more of these days than what the home itself was made from.
    assert alert.loss_mwh / 1000.0 == pytest.approx(whole - missing_day, rel=0.08)
    assert alert.loss_low_mwh < 1000.0 * (whole - missing_day) < alert.loss_high_mwh


def test_behind_a_battery_the_inputs_tell_that_nothing_is_made() -> None:
    site = home_site(EAST, WEST, inverters=(Inverter("inverter-1", 3680.0, storage=Storage.DC),))
    home = Home(site, START_MS, 6)
    _off(home)
    home.awake[:] = True
    raw = dict(home.raw())
    evening = home.between("2026-05-04T18:00:00Z", "2026-05-04T22:00:00Z")
    power = home.inverter_columns()["inverter-1.ac_power"]
    power[evening] = 900.0  # the battery's, and no proof of panels
    raw["inverter-1.ac_power"] = samples(home.times, power)
    with judged(home, raw) as ledger:
        (alert,) = told(ledger, Finding.NO_GENERATION)
    assert alert.subject == "inverter-1"
    assert alert.cleared_ms is None
    assert alert.loss_mwh / 1000.0 == pytest.approx(_lost_wh(home, list(home.share)), rel=0.05)
