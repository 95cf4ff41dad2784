"""Weeks on which nothing is wrong, under every kind of sky, with the gaps of ordinary life: nobody hears of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import (
    EAST,
    SOUTH,
    WEST,
    Home,
    broken,
    by_day,
    every,
    home_site,
    means,
    polled,
)
from tests.detect.made_lines import judged
from watcher.align.window import Floats
from watcher.domain.finding import Finding, Verdict
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Site


def _skies(days: int, seed: int) -> Floats:
    """Clear, broken, overcast and foggy days in turn."""
    kinds = [
        by_day(1.0),
        broken(POINTS_A_DAY, seed),
        by_day(0.22),
        broken(POINTS_A_DAY, seed + 1, level=0.5),
        by_day(0.07),
    ]
    chance = np.random.default_rng(seed)
    return np.concatenate([kinds[kind] * chance.uniform(0.93, 1.0) for kind in chance.integers(0, len(kinds), days)])


AWAY_MS = {"inverter-1": 45 * MINUTE_MS, "meter-1": 4 * HOUR_MS, "sensor-1": 6 * HOUR_MS, "": 5 * HOUR_MS}
"""The longest a device is away without anyone needing to know; "" stands for all of them, the board included."""


def _with_gaps(raw: dict[str, Samples], days: int, seed: int) -> dict[str, Samples]:
    """One poll in thirty is missed; every tenth day a device is away for a while, at any hour."""
    chance = np.random.default_rng(seed)
    first_ms = min(column.time_ms[0] for column in raw.values())
    away = {
        device: [
            (first_ms + day * DAY_MS + int(chance.integers(0, 24)) * HOUR_MS, longest_ms)
            for day in range(3 + 2 * number, days, 10)
        ]
        for number, (device, longest_ms) in enumerate(AWAY_MS.items())
    }
    kept = {}
    for name, column in raw.items():
        spells = [*away.get(name.partition(".")[0], []), *away[""]]
        missed = chance.uniform(size=len(column)) < 1 / 30
        kept[name] = Samples.of(
            (at, value)
            for at, value, miss in zip(column.time_ms, column.value, missed, strict=True)
            if not miss and not any(start <= at < start + length for start, length in spells)
        )
    return kept


EAST_WEST = home_site(EAST, WEST)
STRINGS = home_site(replace(SOUTH, parallel_strings=2))
BY_NOWCAST = home_site(
    EAST, WEST, sensors=(), sources=(polled("inverter-1"), polled("meter-1"), means("weather-nowcast", 3600.0))
)
METER_BY_THE_HOUR = home_site(EAST, WEST, sources=(polled("inverter-1"), polled("meter-1", 3600.0)))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("site", "begin", "days", "air"),
    [
        pytest.param(EAST_WEST, "2026-05-01T00:00:00Z", 60, 15.0, id="east and west, a sensor, early summer"),
        pytest.param(STRINGS, "2026-10-12T00:00:00Z", 20, 11.0, id="two strings at one input, clocks go back"),
        pytest.param(BY_NOWCAST, "2026-03-12T00:00:00Z", 30, 8.0, id="hourly nowcast, clocks go forward"),
        pytest.param(METER_BY_THE_HOUR, "2026-01-05T00:00:00Z", 20, 5.0, id="a meter read by the hour, deep winter"),
    ],
)
def test_healthy_days_raise_nothing(site: Site, begin: str, days: int, air: float) -> None:
    home = Home(site, parse_iso(begin), days, _skies(days, 17), temp_air=air, noise=0.05)
    raw = home.raw()
    if site.source_of("weather-nowcast") is not None:
        raw |= home.weather("weather-nowcast", 60, error=0.15)
    if site is METER_BY_THE_HOUR:
        raw = every(raw, HOUR_MS, "meter-1")
    with judged(home, _with_gaps(raw, days, 23)) as ledger:
        assert [alert.id for alert in ledger.alerts("home-1") if alert.opened_ms is not None] == []
        assert ledger.mails("home-1") == []
        # Quiet because it looked, not because it slept.
        spoke = {run.finding for run in ledger.runs("home-1") if run.verdict is Verdict.OK}
        assert spoke >= {Finding.METER_STALLED, Finding.METER_SILENT, Finding.NO_GENERATION, Finding.STRING_OPEN}
        assert len(ledger.days("home-1")) >= days - 1
