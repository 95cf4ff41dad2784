"""The invented weather against the measured skies it is made of."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.trial.calendar import Year, sun_over
from tests.bench.trial.measured_sky import MeasuredSky, invented_sky
from tests.bench.trial.plan import Basis
from tests.bench.trial.references import remote
from tests.bench.trial.weather import Weather, region_weather, site_weather
from watcher.align.window import Floats
from watcher.domain.instant import parse_iso

YEAR = Year(parse_iso("2025-01-01T00:00:00Z"))
SUN = sun_over(YEAR.middles(), 53.0, -1.5)
MIDDAY = slice(9, 16)


def weather(sky: MeasuredSky, seed: int, lag_hours: float = 0.0, own: int = 0) -> Weather:
    region = region_weather(sky, YEAR, np.random.default_rng(seed))
    return site_weather(sky, region, YEAR, SUN, -1.5, lag_hours, np.random.default_rng((seed, own)))


def daily_kc(one: Weather) -> Floats:
    return YEAR.daily(one.ghi) / YEAR.daily(one.clear)


def test_daily_clearness_is_spread_as_it_was_measured(real_sky: MeasuredSky) -> None:
    made = np.concatenate([daily_kc(weather(real_sky, seed)) for seed in range(3)])
    for share in (0.1, 0.25, 0.5, 0.75, 0.9):
        # Days between, weighted by their sun, are a little duller at the bright end than hours about noon.
        assert np.quantile(made, share) == pytest.approx(
            np.quantile(real_sky.kc[:, MIDDAY].mean(axis=1), share), abs=0.09
        )


def test_a_day_resembles_the_day_before_as_it_did(real_sky: MeasuredSky) -> None:
    made = np.concatenate([daily_kc(weather(real_sky, seed)) for seed in range(3)])
    measured = real_sky.kc[:, MIDDAY].mean(axis=1)
    found, there = (np.corrcoef(one[1:], one[:-1])[0, 1] for one in (made, measured))
    assert found == pytest.approx(there, abs=0.12)


def test_hours_flicker_as_the_measured_ones(real_sky: MeasuredSky) -> None:
    one = weather(real_sky, 4)
    high = (SUN.elevation_deg > 20.0).reshape(-1, 12).all(axis=1)
    unrest = (one.kc.reshape(-1, 12).std(axis=1) / one.kc.reshape(-1, 12).mean(axis=1))[high]
    assert np.quantile(unrest, 0.9) == pytest.approx(np.quantile(real_sky.shapes.std(axis=1), 0.9), rel=0.5)


def test_neighbours_share_their_days_but_not_their_minutes(real_sky: MeasuredSky) -> None:
    here, there, elsewhere = weather(real_sky, 5), weather(real_sky, 5, 0.5, own=1), weather(real_sky, 6)
    assert np.corrcoef(daily_kc(here), daily_kc(there))[0, 1] > 0.9
    assert abs(np.corrcoef(daily_kc(here), daily_kc(elsewhere))[0, 1]) < 0.4
    high = SUN.elevation_deg > 20.0
    assert 0.4 < np.corrcoef(here.kc[high], there.kc[high])[0, 1] < 0.9


def test_a_british_year_of_light(real_sky: MeasuredSky) -> None:
    sums = [YEAR.daily(weather(real_sky, seed).ghi).sum() / 1000.0 for seed in range(4)]
    # 900 to 1200 kWh/m2 a year over England (common practice, no source).
    assert all(880.0 < one < 1250.0 for one in sums)


def test_global_light_is_beam_and_diffuse_together() -> None:
    one = weather(invented_sky(), 7)
    lit = SUN.height > 0.03
    assert one.ghi[lit] == pytest.approx((one.dni * SUN.height + one.dhi)[lit], abs=1e-6)


@pytest.mark.parametrize(
    ("basis", "winter", "summer"),
    [(Basis.SATELLITE, (0.09, 0.20), (0.06, 0.13)), (Basis.FORECAST, (0.19, 0.40), (0.13, 0.25))],
)
def test_each_reference_errs_as_much_as_its_kind_does(
    basis: Basis, winter: tuple[float, float], summer: tuple[float, float]
) -> None:
    # Ranges around the study's daily sigmas of the whole chain, of which the light is the larger part.
    season = YEAR.day_of_year()
    cold, warm = (season >= 305) | (season < 60), (season >= 121) & (season < 244)
    errors = {"winter": [], "summer": []}  # type: dict[str, list[float]]
    for seed in range(3):
        one = weather(invented_sky(), seed)
        told = remote(basis, 60, False, one, SUN, YEAR, np.random.default_rng(seed))["ghi"].value
        log = np.log(told.reshape(-1, 24).sum(axis=1) / (YEAR.daily(one.ghi)))
        errors["winter"] += list(log[cold] - np.median(log[cold]))
        errors["summer"] += list(log[warm] - np.median(log[warm]))
    for name, (low, high) in (("winter", winter), ("summer", summer)):
        lower, upper = np.quantile(errors[name], (0.16, 0.84))
        assert low < (upper - lower) / 2.0 < high, name
