"""Case F1: snow on the array, on all arrays around, and the excuse that ends when the neighbours have recovered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import ASKS_NEIGHBOURS, METER, SOUTH, Home, home_site, polled, samples
from tests.detect.made_lines import judged, told
from tests.expect.made_power import power_under
from watcher.align.window import Floats
from watcher.domain.alert import AlertState
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, MINUTE_MS, POINTS_A_DAY, local_day_of, parse_iso
from watcher.domain.neighbours import NEIGHBOURS, QUARTER_MS, SETTLE_MS
from watcher.domain.reading import Samples
from watcher.domain.site import Role, Site
from watcher.expect import peers
from watcher.store.ledger import Ledger

SNOWFALL = parse_iso("2026-01-14T00:00:00Z")  # in the night of the 13th
TOLD_FROM = SNOWFALL - 4 * DAY_MS  # since when the neighbours are there
AFTER_DAYS = 7
PLANES = ((35.0, 180.0), (30.0, 150.0), (40.0, 210.0), (35.0, 195.0), (25.0, 170.0), (38.0, 160.0))
ON_ROOFS = {0: 0.02, 1: 0.02, 2: 0.02}
"""By day since the snowfall, what a roof under snow makes of what it could: 14, 15 and the morning of 16 January."""

SLIDES_OFF = 0.6  # after noon on the 16th: 0.3 over the day


def home_of(days_before: int) -> Home:
    """The reference site through a January of changing days; the days of the case are good."""
    site = home_site(meters=(METER,), sources=(polled("inverter-1"), polled("meter-1"), ASKS_NEIGHBOURS))
    start, days = SNOWFALL - days_before * DAY_MS, days_before + AFTER_DAYS
    chance = np.random.default_rng(7)
    clearness = np.where(np.arange(days) < days_before, chance.uniform(0.4, 0.95, days), 0.85)
    home = Home(site, start, days, np.repeat(clearness, POINTS_A_DAY))
    home.voltage["inverter-1.input-1"][share_of(home, stays=False) < 0.1] = 120.0
    return home


def share_of(home: Home, *, stays: bool, noon: float = 12.0) -> Floats:
    """By interval, what a roof makes of what it could. stays: the snow, as nobody else's does"""
    hours = (home.times - SNOWFALL) / 3_600_000.0
    thawed = hours >= 48.0 + noon
    share = np.where((hours >= 0.0) & (~thawed | stays), 0.02, 1.0)
    return np.where((hours < 72.0) & thawed & ~np.asarray(stays), SLIDES_OFF, share)


def air(home: Home, thaw_degc: float) -> Floats:
    """-3 to +1 degC to the 15th, the thaw from the 16th, a degree more from the 20th; before it a mild winter."""
    day = (home.times - SNOWFALL) // DAY_MS
    swing = 2.0 * np.sin(2.0 * np.pi * (home.times % DAY_MS) / DAY_MS - 2.0)
    mean = np.select([day < -1, day < 2, day < 6], [6.0, -1.0, thaw_degc], thaw_degc + 1.0)
    return np.asarray(mean + swing)


def neighbours(home: Home) -> dict[str, Samples]:
    """What plants around tell, by the program's own reckoning of their power; their snow goes now sooner, now later."""
    near_sites = [
        home_site(replace(SOUTH, tilt_deg=tilt, azimuth_deg=azimuth), id=f"near-{number}", meters=())
        for number, (tilt, azimuth) in enumerate(PLANES)
    ]
    columns: dict[str, list[Floats]] = {"ghi": [], "sites_near": [], "sites_dark": []}
    days = range(TOLD_FROM, home.end_ms, DAY_MS)
    for day_ms in days:
        part = slice((day_ms - home.start_ms) // (DAY_MS // POINTS_A_DAY), None)
        said = [_told(home, near, number, day_ms, part.start) for number, near in enumerate(near_sites)]
        sky = peers.quarters_of_day(home.site, day_ms)
        columns["ghi"].append(peers.middle([one.clearness for one in said], [0.0] * len(said)) * sky.ghi)
        near = np.sum([one.lit for one in said], axis=0, dtype=np.float64)
        columns["sites_near"].append(np.where(near > 0.0, near, np.nan))
        columns["sites_dark"].append(np.where(near > 0.0, np.sum([one.dark for one in said], axis=0), np.nan))
    labels = TOLD_FROM + QUARTER_MS * np.arange(1, len(days) * peers.QUARTERS + 1, dtype=np.int64)
    labels += SETTLE_MS + MINUTE_MS
    return {f"{NEIGHBOURS}.{name}": samples(labels, np.concatenate(parts)) for name, parts in columns.items()}


def _told(home: Home, near: Site, number: int, day_ms: int, first: int) -> peers.Told:
    here = slice(first, first + POINTS_A_DAY)
    clearness = np.broadcast_to(np.asarray(home.clearness), home.points)[here]
    share = share_of(home, stays=False, noon=11.0 + 0.4 * number)[here]
    power = power_under(near, clearness, day_ms) * share
    return peers.told(near, peers.quarters_of_day(near, day_ms), [power], np.ones(POINTS_A_DAY, dtype=bool))


def winter(
    days_before: int, *, stays: bool = False, air_told: bool = True, asked: bool = True, thaw_degc: float = 5.0
) -> Ledger:
    home = home_of(days_before)
    home.share["inverter-1.input-1"] *= share_of(home, stays=stays)
    raw: dict[str, Samples] = dict(home.raw())
    raw["sensor-1.temp_air"] = samples(home.times, air(home, thaw_degc))
    if not air_told:
        del raw["sensor-1.temp_air"]
    return judged(home, raw | (neighbours(home) if asked else {}))


def said(ledger: Ledger, finding: Finding) -> Mapping[int, set[str]]:
    """By day of January, the codes a finding was judged with at points of that day."""
    found: dict[int, set[str]] = {}
    for run in ledger.runs("home-1"):
        if run.finding is finding:
            for at_ms in range(run.first_ms, run.last_ms + 1, 60 * MINUTE_MS):
                found.setdefault((at_ms - SNOWFALL) // DAY_MS + 14, set()).add(run.code)
            found.setdefault((run.last_ms - SNOWFALL) // DAY_MS + 14, set()).add(run.code)
    return found


plants = pytest.mark.parametrize("days_before", [12, 48], ids=["a new plant", "one with a level of its own"])


@plants
@pytest.mark.parametrize("air_told", [True, False], ids=["air told", "no temperature told"])
def test_case_f1_snow_on_all_roofs_accuses_nobody(days_before: int, air_told: bool) -> None:
    with winter(days_before, air_told=air_told) as ledger:
        assert {alert.finding for alert in told(ledger)} <= {Finding.AREA_EVENT}
        assert all(alert.state is AlertState.CLEARED for alert in told(ledger))
        mails = ledger.mails("home-1")
        assert len(mails) <= 1, "at most one low-priority note"
        assert {mail.role for mail in mails} <= {Role.INSTALLER}
        (alert,) = told(ledger, Finding.AREA_EVENT)
        assert alert.causes == ("snow-likely",), "labelled as probable snow"
        assert alert.loss_mwh > 5e6
        # Left out of what the plant is held against.
        days = said(ledger, Finding.OUTPUT_LOW)
        for day in (15, 16):
            assert days[day] & {"explained.area-event", "explained.snow-possible", "explained.other-finding"}, day


@plants
def test_case_f1_variant_what_lies_on_when_the_others_have_recovered_is_told(days_before: int) -> None:
    with winter(days_before, stays=True) as ledger:
        (alert,) = told(ledger, Finding.OUTPUT_LOW)
        assert alert.state is AlertState.OPEN
        assert alert.opened_ms is not None
        opened_on = local_day_of(alert.opened_ms, home_site().zone)
        assert (opened_on.month, opened_on.day) in {(1, 18), (1, 19)}
        assert {other.finding for other in told(ledger)} == {Finding.OUTPUT_LOW, Finding.AREA_EVENT}
        assert {other.state for other in told(ledger, Finding.AREA_EVENT)} == {AlertState.CLEARED}


@plants
def test_case_f1_without_neighbours_cold_days_are_forgiven_and_a_mild_thaw_ends_that(days_before: int) -> None:
    with winter(days_before, asked=False) as ledger:
        assert told(ledger) == []
    with winter(days_before, stays=True, asked=False, thaw_degc=8.0) as ledger:
        assert {alert.finding for alert in told(ledger)} == {Finding.OUTPUT_LOW}
