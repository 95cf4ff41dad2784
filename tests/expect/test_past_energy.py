"""Expected energy over years: the same as day by day, by the facts of each day, and unknown where nothing is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_windows import DECEMBER, JUNE, MARCH, SOUTH, Day, london, midnight

from watcher.align.window import Floats
from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.domain.site import Array, Inverter, Site, SiteRecord
from watcher.expect.day import expect_day
from watcher.expect.expectation import Basis
from watcher.expect.geometry import sky_of_day
from watcher.expect.past_energy import PastEnergy, past_energy, typical_sunshine
from watcher.expect.past_sunshine import PastSunshine

INVERTER = ("inverter-1",)
EAST_WEST = (
    Array("east", 30.0, 90.0, 2200.0, "inverter-1.input-1"),
    Array("west", 30.0, 270.0, 2200.0, "inverter-1.input-2"),
)


def record(site: Site) -> SiteRecord:
    return SiteRecord(site, site.arrays, site.inverters, site.meters)


def sunshine(start_ms: int, ghi: Floats, basis: Basis = Basis.SATELLITE) -> PastSunshine:
    ends = start_ms + HOUR_MS * np.arange(1, len(ghi) + 1, dtype=np.int64)
    unknown = np.full(len(ghi), np.nan)
    of = np.where(np.isnan(ghi), Basis.NONE, basis).astype(np.int8)
    return PastSunshine(ends, ghi, unknown, unknown.copy(), of)


def clearness_of(days: int, seed: int) -> Floats:
    """By interval, steady over each hour."""
    return np.random.default_rng(seed).uniform(0.15, 1.0, days * 24).repeat(12)


def both(site: Site, start_ms: int, days: int = 14) -> tuple[float, float]:
    """Energy by the hour and by the five minutes, under the same sunshine. [Wh]"""
    clearness = clearness_of(days, seed=start_ms % 1000).reshape(days, 288)
    fine, ghi = 0.0, []
    for n in range(days):
        day = start_ms + n * DAY_MS
        sky = sky_of_day(site.latitude_deg, site.longitude_deg, site.altitude_m, day)
        five = clearness[n] * sky.ghi
        window = Day(day).window({"weather-analysis.ghi": Day(day).means(five, HOUR_MS)})
        fine += float(np.sum(expect_day(site, window, day).by_subject["inverter-1"].expected)) / 12.0
        ghi.append(five.reshape(24, 12).mean(axis=1))
    whole = past_energy(record(site), INVERTER, sunshine(start_ms, np.concatenate(ghi)))
    end = start_ms + days * DAY_MS
    return float(whole.between(np.array([start_ms]), np.array([end])).expected[0]), fine


@pytest.mark.parametrize("start_ms", [JUNE, MARCH, DECEMBER, JUNE + 60 * DAY_MS], ids=["June", "March", "Dec", "Aug"])
@pytest.mark.parametrize("arrays", [(SOUTH,), EAST_WEST], ids=["south", "east-west"])
def test_weeks_by_the_hour_come_to_what_they_come_to_by_the_five_minutes(
    arrays: tuple[Array, ...], start_ms: int
) -> None:
    hourly, fine = both(london(*arrays, ac_limit_w=5000.0), start_ms)
    assert hourly == pytest.approx(fine, rel=0.015)


def test_a_plant_that_clips_is_out_by_one_per_cent_at_most() -> None:
    hourly, fine = both(london(replace(SOUTH, peak_power_w=4000.0), ac_limit_w=4000.0 / 1.35), JUNE)
    assert hourly == pytest.approx(fine, rel=0.01)


@pytest.fixture(scope="module")
def year() -> PastEnergy:
    site = record(london())
    return past_energy(site, INVERTER, typical_sunshine(site, midnight(2025, 1, 1), midnight(2026, 1, 1)))


def test_a_typical_year_of_a_kilowatt_gives_what_one_gives_in_england(year: PastEnergy) -> None:
    """800 to 1100 kWh for a kilowatt facing south (common practice, no source)."""
    whole = year.between(np.array([midnight(2025, 1, 1)]), np.array([midnight(2026, 1, 1)]))
    assert 4 * 800e3 < whole.expected[0] < 4 * 1100e3
    assert whole.clear[0] > 1.5 * whole.expected[0]


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(0, 365 * 24 * 60), min_size=3, max_size=6, unique=True))
def test_stretches_add_up_to_the_whole(year: PastEnergy, cuts: list[int]) -> None:
    at = year.begin_ms + 60_000 * np.array(sorted(cuts), dtype=np.int64)
    parts = year.between(at[:-1], at[1:]).expected
    whole = year.between(at[:1], at[-1:]).expected[0]
    assert np.nansum(parts) == pytest.approx(np.nan_to_num(whole), rel=1e-9, abs=1e-3)


@settings(max_examples=40, deadline=None)
@given(share=st.floats(0.05, 0.95))
def test_the_instant_of_a_share_has_that_share_behind_it(year: PastEnergy, share: float) -> None:
    start = midnight(2025, 3, 1)
    whole = year.between(np.array([start]), np.array([midnight(2025, 6, 1)])).expected[0]
    at = year.when(start, share * whole)
    assert year.between(np.array([start]), np.array([at])).expected[0] == pytest.approx(share * whole, rel=1e-4)


def test_what_is_added_counts_from_its_date() -> None:
    june = midnight(2025, 6, 1)
    more = replace(SOUTH, id="more", input="inverter-2.input-1", from_ms=june)
    second = Inverter("inverter-2", 3680.0, from_ms=june)
    site = london()
    grown = SiteRecord(site, (SOUTH, more), (*site.inverters, second), ())
    sky = typical_sunshine(grown, midnight(2025, 5, 1), midnight(2025, 7, 1))
    plain = past_energy(record(site), INVERTER, sky)
    both_of = past_energy(grown, ("inverter-1", "inverter-2"), sky)
    starts, ends = np.array([midnight(2025, 5, 1), june]), np.array([june, midnight(2025, 7, 1)])
    ratio = both_of.between(starts, ends).expected / plain.between(starts, ends).expected
    assert ratio == pytest.approx([1.0, 2.0], rel=1e-6)


def test_hours_of_which_nothing_is_known_are_taken_like_the_rest_and_counted() -> None:
    start = midnight(2025, 6, 1)
    ghi = sunshine(start, np.full(30 * 24, 300.0)).ghi
    ghi[10 * 24 : 13 * 24] = np.nan
    site = record(london())
    gap = past_energy(site, INVERTER, sunshine(start, ghi)).between(np.array([start]), np.array([start + 30 * DAY_MS]))
    full = past_energy(site, INVERTER, sunshine(start, np.full(30 * 24, 300.0)))
    assert gap.known[0] == pytest.approx(0.9, abs=0.005)
    assert gap.expected[0] == pytest.approx(
        full.between(np.array([start]), np.array([start + 30 * DAY_MS])).expected[0], rel=0.01
    )


def test_before_and_after_the_hours_held_nothing_is_known(year: PastEnergy) -> None:
    early, late = midnight(2024, 12, 1), midnight(2026, 2, 1)
    found = year.between(np.array([early, midnight(2025, 12, 1)]), np.array([midnight(2025, 2, 1), late]))
    assert np.isnan(found.expected).all()
    assert (found.known == 0).all()


def test_no_hours_are_no_measure() -> None:
    with pytest.raises(ValueError, match="no hours"):
        past_energy(record(london()), INVERTER, sunshine(JUNE, np.empty(0)))
