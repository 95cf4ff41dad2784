"""One day's expectation: its limits, its silence where nothing is known, and that it is the same every time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_windows import DECEMBER, JUNE, SOUTH, Day, gauge, london

from watcher.align.window import Window
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, POINTS_A_DAY
from watcher.domain.site import Array, Inverter, Sensor, Site
from watcher.expect.band import LOWER_FACTOR, band, log_width
from watcher.expect.day import expect_day, join
from watcher.expect.expectation import Basis, Expected
from watcher.expect.geometry import Sky, sky_of_day


def sky_of(site: Site, day: int) -> Sky:
    return sky_of_day(site.latitude_deg, site.longitude_deg, site.altitude_m, day)


def under(site: Site, clearness: float, day: int = JUNE, device: str = "weather-nowcast") -> Expected:
    """A day of steady clearness."""
    ghi = clearness * sky_of(site, day).ghi
    return expect_day(site, Day(day).window({f"{device}.ghi": Day(day).instants(ghi)}), day)


def arrays_equal(one: Expected, other: Expected) -> bool:
    """Bit by bit."""
    parts = [(one.basis, other.basis), (one.known_ms, other.known_ms), (one.temp_air, other.temp_air)]
    parts += [(one.sun_elevation_deg, other.sun_elevation_deg)]
    for name, mine in one.by_subject.items():
        theirs = other.by_subject[name]
        parts += [(mine.expected, theirs.expected), (mine.low, theirs.low), (mine.high, theirs.high)]
        parts += [(mine.bound, theirs.bound)]
    parts += [(one.poa_wm2[id], other.poa_wm2[id]) for id in one.poa_wm2]
    return all(np.array_equal(mine, theirs, equal_nan=mine.dtype.kind == "f") for mine, theirs in parts)


two_planes = (
    Array("east", 30.0, 90.0, 2200.0, "inverter-1.input-1"),
    Array("west", 30.0, 270.0, 2600.0, "inverter-1.input-2"),
)


def test_every_input_inverter_and_the_site_are_expected() -> None:
    found = under(london(*two_planes), 0.8)
    assert list(found.by_subject) == ["inverter-1.input-1", "inverter-1.input-2", "inverter-1", "site"]
    assert set(found.poa_wm2) == set(found.clear_poa_wm2) == {"east", "west"}
    for one in found.by_subject.values():
        assert len(one.expected) == len(one.low) == len(one.high) == len(one.bound) == POINTS_A_DAY


def test_a_clear_june_day_of_a_4_kilowatt_home_makes_a_believable_amount() -> None:
    """18 to 26 kWh in June, 0.5 to 8 in December under a clear sky (common practice, no source)."""
    for day, least, most in ((JUNE, 18, 26), (DECEMBER, 0.5, 8)):
        energy_kwh = np.nansum(under(london(), 1.0, day).by_subject["site"].expected) / 12 / 1000
        assert least < energy_kwh < most


def test_only_a_midnight_begins_a_day() -> None:
    with pytest.raises(ValueError, match="midnight"):
        expect_day(london(), Day(JUNE).window({}), JUNE + GRID_MS)


days = st.sampled_from([JUNE, DECEMBER])
shares = st.lists(st.floats(0.0, 1.6), min_size=24, max_size=24)
devices = st.sampled_from(["sensor-1", "weather-analysis", "weather-nowcast"])


@given(
    day=days,
    clearness=shares,
    device=devices,
    ac_limit_w=st.floats(500.0, 6000.0),
    tilt=st.floats(0.0, 90.0),
    azimuth=st.floats(0.0, 359.9),
)
@settings(max_examples=40, deadline=None)
def test_the_limits_hold_whatever_the_sky_does(
    day: int, clearness: list[float], device: str, ac_limit_w: float, tilt: float, azimuth: float
) -> None:
    array = replace(SOUTH, tilt_deg=tilt, azimuth_deg=azimuth)
    site = london(array, ac_limit_w=ac_limit_w, sensors=(Sensor("sensor-1"),))
    sky = sky_of(site, day)
    ghi = np.repeat(clearness, 12) * sky.ghi
    found = expect_day(site, Day(day).window({f"{device}.ghi": Day(day).instants(ghi)}), day)
    for subject, one in found.by_subject.items():
        known = np.isfinite(one.expected)
        assert (np.isfinite(one.low) == known).all()
        assert (np.isfinite(one.high) == known).all()
        assert (one.low[known] >= 0).all()
        assert (one.low[known] <= one.expected[known]).all()
        assert (one.expected[known] <= one.high[known]).all()
        assert np.isfinite(one.bound).all()
        assert (one.bound >= 0).all()
        assert (one.expected[found.sun_elevation_deg < -1] == 0).all()
        if device != "sensor-1":
            assert (one.expected[known] <= 1.15 * one.bound[known] + 1e-9).all()
        if subject == "inverter-1":
            assert (one.expected[known] <= ac_limit_w + 1e-9).all()


def test_at_night_nothing_is_expected_whatever_a_reference_says() -> None:
    site = london(sensors=(Sensor("sensor-1"),))
    lamp = Day(JUNE).window({"sensor-1.ghi": Day(JUNE).instants(300.0)})
    nothing = Day(JUNE).window({})
    for window in (lamp, nothing):
        found = expect_day(site, window, JUNE)
        night = found.sun_elevation_deg < -1
        assert night.sum() > 60
        assert (found.basis[night] == Basis.NONE).all()
        assert (found.known_ms[night] == Day(JUNE).ends[night]).all()
        for one in found.by_subject.values():
            assert (np.concatenate([one.expected[night], one.low[night], one.high[night]]) == 0).all()


def test_with_the_sun_just_down_a_reference_says_0_and_without_one_nothing_is_said() -> None:
    dusk_site = london()
    found = under(dusk_site, 0.5)
    dusk = (found.sun_elevation_deg < 0) & (found.sun_elevation_deg >= -1)
    assert dusk.any()
    assert (found.by_subject["site"].expected[dusk] == 0).all()
    silent = expect_day(dusk_site, Day(JUNE).window({}), JUNE)
    assert np.isnan(silent.by_subject["site"].expected[dusk]).all()


def test_by_day_without_a_reference_nothing_is_expected_but_the_bound_stands() -> None:
    found = expect_day(london(), Day(JUNE).window({}), JUNE)
    day = found.sun_elevation_deg > 5
    for one in found.by_subject.values():
        for values in (one.expected, one.low, one.high):
            assert np.isnan(values[day]).all()
        assert (one.bound[day] > 0).all()


@given(factor=st.floats(0.1, 5.0), clearness=st.floats(0.1, 1.0), day=days)
@settings(max_examples=20, deadline=None)
def test_more_modules_make_more_power_in_proportion(factor: float, clearness: float, day: int) -> None:
    """While the inverter does not clip."""
    small = under(london(ac_limit_w=1e5), clearness, day).by_subject["inverter-1.input-1"]
    bigger = replace(SOUTH, peak_power_w=factor * SOUTH.peak_power_w)
    large = under(london(bigger, ac_limit_w=1e5), clearness, day).by_subject["inverter-1.input-1"]
    known = np.isfinite(small.expected)
    assert large.expected[known] == pytest.approx(factor * small.expected[known])


def test_case_f4_the_inverters_limit_is_in_the_expectation() -> None:
    site = london(replace(SOUTH, peak_power_w=5000.0), sensors=(Sensor("sensor-1"),))
    sky = sky_of(site, JUNE)
    sensed = {"sensor-1.ghi": Day(JUNE).instants(sky.ghi), "sensor-1.temp_air": Day(JUNE).instants(10.0)}
    found = expect_day(site, Day(JUNE).window(sensed), JUNE).by_subject["inverter-1"]
    assert found.expected.max() == pytest.approx(3680)
    assert (found.expected > 3679).sum() > 12  # over an hour on the plateau


def test_warmer_air_and_less_wind_make_less_power() -> None:
    site = london(sensors=(Sensor("sensor-1"),), ac_limit_w=1e5)
    ghi = Day(JUNE).instants(sky_of(site, JUNE).ghi)

    def energy(temp_air: float, wind_speed: float) -> float:
        gauges = {
            "sensor-1.ghi": ghi,
            "sensor-1.temp_air": Day(JUNE).instants(temp_air),
            "sensor-1.wind_speed": Day(JUNE).instants(wind_speed),
        }
        return float(expect_day(site, Day(JUNE).window(gauges), JUNE).by_subject["inverter-1.input-1"].expected.sum())

    assert energy(30, 2) < energy(15, 2) < energy(15, 6)
    assert energy(15, 2) / energy(25, 2) == pytest.approx(1.0405, abs=0.002)  # -0.37 %/K over 10 K, cells at 40 degC


def test_a_sensor_on_the_modules_back_replaces_the_temperature_model() -> None:
    site = london(sensors=(Sensor("sensor-1"), Sensor("plane-1", "south"), Sensor("back-1", "south")), ac_limit_w=1e5)
    ghi = Day(JUNE).instants(sky_of(site, JUNE).ghi)

    def power(back: float) -> np.ndarray:  # type: ignore[type-arg]
        gauges = {"sensor-1.ghi": ghi, "back-1.temp_module": Day(JUNE).instants(back)}
        return expect_day(site, Day(JUNE).window(gauges), JUNE).by_subject["inverter-1.input-1"].expected

    noon = 144
    # -0.37 %/K on 100 % at 25 degC; both cells are the same step above their backs.
    assert power(70.0)[noon] / power(20.0)[noon] == pytest.approx((1 - 0.0037 * 45.9) / (1 + 0.0037 * 4.1), abs=0.002)


def test_the_same_day_gives_the_same_answer_twice_and_in_any_window() -> None:
    """Live and replay do the same arithmetic: a day cut from a longer window is the day alone, bit by bit."""
    site = london(*two_planes, sensors=(Sensor("sensor-1"),))
    day = Day(JUNE)
    ghi = np.random.default_rng(7).uniform(0.1, 1.0, 288) * sky_of(site, JUNE).ghi
    alone = day.window({"sensor-1.ghi": day.instants(ghi)})
    ends = JUNE - DAY_MS + GRID_MS * np.arange(1, 3 * 288 + 1, dtype=np.int64)
    longer = Window(JUNE - DAY_MS, 3 * 288, {"sensor-1.ghi": gauge(np.tile(ghi, 3), ends)}, {})
    first = expect_day(site, alone, JUNE)
    assert arrays_equal(first, expect_day(site, alone, JUNE))
    assert arrays_equal(first, expect_day(site, longer, JUNE))


def test_what_is_handed_out_is_the_callers_own() -> None:
    """Writing to one answer does not reach the next."""
    site = london()
    first, untouched = under(site, 0.5), under(site, 0.5)
    for values in (first.sun_elevation_deg, first.clear_poa_wm2["south"], first.by_subject["site"].bound):
        values[:] = -1
    assert arrays_equal(untouched, under(site, 0.5))
    assert (under(site, 0.5).clear_poa_wm2["south"] >= 0).all()


def test_known_is_when_the_reference_was() -> None:
    day = Day(JUNE)
    late = gauge(0.7 * sky_of(london(), JUNE).ghi, day.ends + 3 * HOUR_MS)
    found = expect_day(london(), day.window({"weather-analysis.ghi": late}), JUNE)
    noon = found.sun_elevation_deg > 5
    assert (found.known_ms[noon] == (day.ends + 3 * HOUR_MS)[noon]).all()


def test_a_site_without_arrays_expects_nothing() -> None:
    found = expect_day(replace(london(), arrays=()), Day(JUNE).window({}), JUNE)
    assert not found.by_subject
    assert len(found.sun_elevation_deg) == POINTS_A_DAY


def test_days_are_joined_in_order_and_what_a_day_does_not_have_is_unknown() -> None:
    one, two = london(), london(*two_planes, inverters=(Inverter("inverter-1", 3680.0),))
    first, second = under(one, 0.5), under(two, 0.5, JUNE + DAY_MS)
    both = join([first, second])
    assert len(both.basis) == 2 * POINTS_A_DAY
    assert (both.known_ms == np.concatenate([first.known_ms, second.known_ms])).all()
    added = both.by_subject["inverter-1.input-2"]
    assert np.isnan(added.expected[:POINTS_A_DAY]).all()
    assert (added.bound[:POINTS_A_DAY] == 0).all()
    assert np.array_equal(
        added.expected[POINTS_A_DAY:], second.by_subject["inverter-1.input-2"].expected, equal_nan=True
    )
    assert np.isnan(both.poa_wm2["south"][POINTS_A_DAY:]).all()
    with pytest.raises(ValueError, match="no days"):
        join([])


@pytest.mark.parametrize("basis", list(LOWER_FACTOR))
def test_the_band_is_the_basis_own_at_good_sun_and_wider_below(basis: Basis) -> None:
    elevation = np.array([40.0, 15.0, 7.5, 1.0])
    steady = np.full(4, 0.5)
    no = np.zeros(4, dtype=bool)
    width = log_width(np.full(4, basis, dtype=np.int8), elevation, steady, no, no)
    low, high = band(np.full(4, 1000.0), width, 4000.0)
    assert low[0] == low[1] == pytest.approx(1000 * LOWER_FACTOR[basis])
    assert high[0] == pytest.approx(1000 / LOWER_FACTOR[basis])
    assert (np.diff(width[1:]) > 0).all()


def test_the_band_knows_what_is_known_better() -> None:
    satellite = np.full(1, Basis.SATELLITE, dtype=np.int8)
    measured = np.full(1, Basis.MEASURED, dtype=np.int8)
    low_sun, high_sun = np.array([5.0]), np.array([40.0])
    yes, no = np.array([True]), np.array([False])
    clear, dull = np.array([1.0]), np.array([0.2])
    assert log_width(satellite, high_sun, clear, no, no) < log_width(satellite, high_sun, dull, no, no)
    assert log_width(measured, low_sun, clear, yes, no) < log_width(measured, low_sun, clear, no, no)
    assert log_width(measured, high_sun, clear, no, no) < log_width(measured, high_sun, clear, no, yes)
    assert np.isnan(log_width(np.zeros(1, dtype=np.int8), high_sun, clear, no, no)).all()


def test_the_band_is_never_narrower_than_2_percent_of_the_rating() -> None:
    low, high = band(np.array([10.0]), np.array([0.1]), 4000.0)
    assert (low[0], high[0]) == (0.0, pytest.approx(90.0))
