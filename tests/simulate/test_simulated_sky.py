"""The sky and the roof of the simulated home: published values, closure, and what each kind of day is like."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pandas as pd
import pvlib
import pytest

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso, to_ms
from watcher.simulate.plant import OperatingState, ac_from_dc
from watcher.simulate.roof import effective_irradiance, in_plane, module_temperature
from watcher.simulate.scenario import Scenario
from watcher.simulate.sky import DayType, Sky, SkyModel, air_mass, clear_sky
from watcher.simulate.sun import sun_at
from watcher.simulate.world import World

START = parse_iso("2026-06-08T00:00Z")


def sky_model(kind: DayType, seed: int = 1) -> SkyModel:
    return SkyModel(seed, 53.4, -1.5, {date(2026, 6, 8): kind})


def minutes(model: SkyModel) -> list[Sky]:
    return [model.at(START + n * MINUTE_MS) for n in range(1440)]


@pytest.mark.parametrize(("zenith", "expected"), [(0, 1.000), (80, 5.586), (89.9, 36.467)])
def test_the_air_mass_is_that_of_kasten_and_young(zenith: float, expected: float) -> None:
    # values: pvlib's tests
    assert air_mass(90 - zenith) == pytest.approx(expected, rel=1e-3)


# The library's own call to its own dependency; nothing of ours.
@pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear is deprecated")
@pytest.mark.parametrize(("day", "low_sun"), [("2026-06-08", 20), ("2026-12-10", 8), ("2026-03-20", 20)])
def test_the_clear_sky_is_near_that_of_the_turbidity_map(day: str, low_sun: float) -> None:
    # an independent model with measured haze: pvlib, Ineichen and Perez
    times = pd.date_range(day, periods=144, freq="10min", tz="UTC")
    published = pvlib.location.Location(53.4, -1.5, altitude=120).get_clearsky(times)
    for when, row in published.iterrows():
        sun = sun_at(to_ms(when.to_pydatetime()), 53.4, -1.5)
        if sun.elevation_deg > low_sun:
            assert clear_sky(sun) == pytest.approx((row.ghi, row.dhi), rel=0.15, abs=20)


def test_the_plane_gets_what_the_textbook_says() -> None:
    # Duffie and Beckman, examples 2.15.1 and 2.16.1 (from memory): MJ/m2 of one hour, 60 degrees to the south
    sin_elevation, cos_incidence = 0.5, 0.5 * 1.7133
    disc, rest = in_plane(
        ghi=1.04,
        dni=0.244 / sin_elevation,
        dhi=0.796,
        extra_dni=2.3349 / sin_elevation,
        sin_elevation=sin_elevation,
        cos_incidence=cos_incidence,
        tilt_deg=60,
        albedo=0.60,
    )
    assert disc + rest == pytest.approx(1.28, abs=0.005)


def test_modules_reach_their_nominal_temperature() -> None:
    # by definition of the nominal operating temperature: 800 W/m2, 20 degC, 1 m/s
    assert module_temperature(800, 20, 1) == pytest.approx(50, abs=0.01)


@pytest.mark.parametrize("kind", list(DayType))
def test_beam_and_diffuse_make_up_the_whole(kind: DayType) -> None:
    for sky in minutes(sky_model(kind)):
        assert sky.dni * max(0.0, sky.sun.sin_elevation) + sky.dhi == pytest.approx(sky.ghi)
        assert (sky.ghi > 0) == (sky.sun.elevation_deg > 0)
        assert 0 <= sky.dni < 1100
        assert sky.wind_speed > 0


def test_the_kinds_of_day_differ_as_they_should() -> None:
    energy = {kind: sum(sky.ghi for sky in minutes(sky_model(kind))) / 60_000 for kind in DayType}
    # a clear June day brings about 7.8 kWh/m2 at this latitude (pvlib, Ineichen: 7.77 for Manchester)
    assert energy[DayType.CLEAR] == pytest.approx(7.77, rel=0.06)
    assert 0.4 < energy[DayType.BROKEN] / energy[DayType.CLEAR] < 0.85
    assert 0.1 < energy[DayType.OVERCAST] / energy[DayType.CLEAR] < 0.4


def test_case_f4_cloud_edges_outshine_the_clear_sky_for_minutes_but_not_for_half_an_hour() -> None:
    share = [
        sky.ghi / clear_sky(sky.sun)[0] if sky.sun.elevation_deg > 10 else 0.0
        for seed in range(5)
        for sky in minutes(sky_model(DayType.BROKEN, seed))
    ]
    assert max(share) > 1.05
    assert max(sum(share[n : n + 30]) / 30 for n in range(len(share) - 30)) < 1.12


def test_the_sky_is_the_same_in_whatever_order_it_is_asked() -> None:
    model = SkyModel(3, 53.4, -1.5, {})
    times = [START + n * 7 * HOUR_MS for n in range(200)]
    forwards = [model.at(time_ms) for time_ms in times]
    backwards = [SkyModel(3, 53.4, -1.5, {}).at(time_ms) for time_ms in reversed(times)]
    assert forwards == list(reversed(backwards))


def test_another_seed_has_another_sky() -> None:
    assert minutes(SkyModel(1, 53.4, -1.5, {}))[720] != minutes(SkyModel(2, 53.4, -1.5, {}))[720]


def test_air_temperature_and_wind_run_on_over_midnight() -> None:
    model = SkyModel(5, 53.4, -1.5, {})
    for day in range(1, 60):
        before, after = (model.at(START + day * DAY_MS + side * MINUTE_MS // 2) for side in (-1, 1))
        assert abs(before.temp_air - after.temp_air) < 0.2


def test_the_east_roof_has_the_morning_and_the_west_roof_the_evening(demo: Scenario) -> None:
    east, west = demo.inputs
    morning, evening = (sky_model(DayType.CLEAR).at(START + hour * HOUR_MS) for hour in (8, 16))
    assert effective_irradiance(morning, east) > 2 * effective_irradiance(morning, west)
    assert effective_irradiance(evening, west) > 2 * effective_irradiance(evening, east)


def test_the_inverter_loses_little_and_most_in_proportion_when_nearly_idle() -> None:
    # 95 to 97.5 % over most of the range: common practice, no source
    for load in (0.1, 0.3, 0.5, 1.0):
        assert 0.945 < ac_from_dc(load * 3680, 3680) / (load * 3680) < 0.975
    assert ac_from_dc(10, 3680) == 0


def test_case_f4_an_oversized_array_runs_flat_at_the_limit(make_world: Callable[..., World], demo: Scenario) -> None:
    world = make_world(inverter=replace(demo.inverter, ac_limit_w=1500.0))
    world.advance(START + 12 * HOUR_MS)
    view = world.inverter()
    assert view is not None
    assert view.plant.state is OperatingState.THROTTLED
    assert view.plant.ac_power_w == pytest.approx(1500, rel=0.01)
    # the inputs sit nearer to their open-circuit voltage than at full power
    free = make_world()
    free.advance(START + 12 * HOUR_MS)
    unlimited = free.inverter()
    assert unlimited is not None
    assert view.plant.inputs[0].voltage_v > unlimited.plant.inputs[0].voltage_v * 1.02
    assert ac_from_dc(view.plant.dc_power_w, 1500) == pytest.approx(1500, rel=0.01)
