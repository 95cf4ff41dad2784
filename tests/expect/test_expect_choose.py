"""Which reference serves an interval, and what is no reference at all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_windows import JUNE, SOUTH, Day, gauge, london

from watcher.align.window import Floats, Gauge, Window
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS
from watcher.domain.site import Array, Label, Sensor, Site, Source, SourceKind
from watcher.expect.choose import Reference, choose
from watcher.expect.day import expect_day
from watcher.expect.expectation import Basis, Expected
from watcher.expect.geometry import Sky, sky_of_day
from watcher.expect.irradiance import clear_plane

DAY = Day(JUNE)
SKY: Sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
NOON = 144
UP = SKY.elevation_deg > 0


def chosen(site: Site, gauges: dict[str, Gauge]) -> Reference:
    return choose(site, DAY.window(gauges), SKY, JUNE)


def with_sensor(plane: str = "horizontal", **facts: object) -> Site:
    return london(sensors=(Sensor("sensor-1", plane),), **facts)


def mean_source(device: str, period_ms: int) -> Source:
    return Source(SourceKind.WEATHER, device, period_s=period_ms / 1000, label=Label.MEAN_ENDING)


def test_the_best_basis_that_is_there_serves() -> None:
    morning = np.where(np.arange(288) < 120, 0.5 * SKY.ghi, np.nan)
    till_noon = np.where(np.arange(288) < NOON, 0.6 * SKY.ghi, np.nan)
    found = chosen(
        with_sensor(),
        {
            "weather-forecast.ghi": DAY.means(0.8 * SKY.ghi, HOUR_MS, early=True),
            "sensor-1.ghi": DAY.instants(morning),
            "weather-analysis.ghi": DAY.instants(till_noon),
        },
    )
    assert (found.basis[:120] == Basis.MEASURED).all()
    assert (found.basis[120:NOON] == Basis.SATELLITE).all()
    assert (found.basis[NOON:] == Basis.WEATHER).all()
    assert found.light.ghi[100] == pytest.approx(0.5 * SKY.ghi[100])
    assert found.light.ghi[130] == pytest.approx(0.6 * SKY.ghi[130])


def test_a_nowcast_goes_before_a_forecast() -> None:
    found = chosen(
        london(),
        {"weather-forecast.ghi": DAY.instants(0.8 * SKY.ghi), "weather-nowcast.ghi": DAY.instants(0.4 * SKY.ghi)},
    )
    assert found.light.ghi[NOON] == pytest.approx(0.4 * SKY.ghi[NOON])


def test_without_any_reference_nothing_is_known() -> None:
    found = chosen(with_sensor(), {})
    assert (found.basis == Basis.NONE).all()
    assert (found.known_ms == DAY.ends).all()
    assert all(np.isnan(part).all() for part in found.light)


def test_an_hourly_mean_is_spread_by_the_clear_sky_and_keeps_its_energy() -> None:
    """Back-filled over its own hour, never carried forward; the sun's rise and fall inside the hour kept."""
    cloudy = SKY.ghi * np.repeat(np.linspace(0.3, 0.9, 24), 12)
    found = chosen(london(), {"weather-forecast.ghi": DAY.means(cloudy, HOUR_MS)})
    assert found.light.ghi == pytest.approx(cloudy, abs=11.0)  # dawn and dusk are not spread
    high = SKY.elevation_deg > 10
    assert found.light.ghi[high] == pytest.approx(cloudy[high], rel=1e-9)
    hours = found.light.ghi.reshape(24, 12).mean(axis=1)
    assert hours[6:18] == pytest.approx(cloudy.reshape(24, 12).mean(axis=1)[6:18], rel=1e-9)


def test_momentary_values_are_used_as_they_are() -> None:
    ghi = SKY.ghi * np.linspace(0.2, 1.0, 288)
    found = chosen(london(), {"weather-nowcast.ghi": DAY.instants(ghi)})
    assert (found.light.ghi[UP] == ghi[UP]).all()


def test_night_offsets_are_no_light() -> None:
    found = chosen(with_sensor(), {"sensor-1.ghi": DAY.instants(np.where(UP, SKY.ghi, -4.4))})
    assert (found.light.ghi[~UP] == 0).all()


@pytest.mark.parametrize(
    ("given", "used"),
    [
        pytest.param(("dni", "dhi"), "both", id="beam and diffuse, no global"),
        pytest.param(("ghi", "dni", "dhi"), "both", id="all three"),
        pytest.param(("ghi", "dhi"), "both", id="the beam follows"),
        pytest.param(("ghi", "dni"), "both", id="the diffuse follows"),
        pytest.param(("ghi",), "split", id="global alone is split"),
        pytest.param(("dni",), "nothing", id="beam alone is not enough"),
    ],
)
def test_components_are_used_as_far_as_given(given: tuple[str, ...], used: str) -> None:
    dni, dhi = 0.5 * SKY.dni, 1.6 * SKY.dhi
    whole = {"dni": dni, "dhi": dhi, "ghi": dni * SKY.cos_zenith + dhi}
    found = chosen(london(), {f"weather-nowcast.{name}": DAY.instants(whole[name]) for name in given})
    high = SKY.elevation_deg > 6
    if used == "nothing":
        assert (found.basis == Basis.NONE).all()
        return
    assert found.light.ghi[high] == pytest.approx(whole["ghi"][high])
    assert (found.light.dni[high] == pytest.approx(dni[high], rel=1e-6)) is (used == "both")


@pytest.mark.parametrize(
    ("wrong", "gone"),
    [
        pytest.param({"ghi": (0.0, 0.0, 12)}, range(155, 156), id="dark for an hour: only from the hour on"),
        pytest.param({"ghi": (0.0, 0.0, 11)}, range(0), id="dark for less than an hour may be a thunderstorm"),
        pytest.param({"ghi": (1.3, 0.0, 4)}, range(147, 148), id="too bright for 20 minutes"),
        pytest.param({"ghi": (1.3, 0.0, 3)}, range(0), id="a bright cloud edge of 15 minutes is real"),
        pytest.param({"ghi": (1.2, 0.0, 30)}, range(0), id="a fifth above the clear sky can be"),
    ],
)
def test_momentary_values_that_cannot_be(wrong: dict[str, tuple[float, float, int]], gone: range) -> None:
    factor, _, points = wrong["ghi"]
    ghi = 0.8 * SKY.ghi
    ghi[NOON : NOON + points] = factor * SKY.ghi[NOON : NOON + points]
    found = chosen(with_sensor(), {"sensor-1.ghi": DAY.instants(ghi)})
    assert np.flatnonzero(found.basis == Basis.NONE).tolist() == list(gone)


@pytest.mark.parametrize("period_ms", [30 * MINUTE_MS, HOUR_MS], ids=["half an hour", "an hour"])
def test_a_mean_far_above_the_clear_sky_is_none(period_ms: int) -> None:
    """A feed that doubles: every period of high sun falls out at once, not after a while."""
    found = chosen(london(), {"weather-nowcast.ghi": DAY.means(2.0 * SKY.ghi, period_ms)})
    assert (found.basis[SKY.elevation_deg > 10] == Basis.NONE).all()


def test_case_f6_irradiance_of_0_at_noon_is_no_reference_and_never_an_expectation_of_0() -> None:
    hours = np.repeat(np.arange(24), 12)
    ghi = np.where((hours >= 12) & (hours < 18), 0.0, 0.8 * SKY.ghi)
    window = DAY.window({"weather-nowcast.ghi": DAY.means(ghi, HOUR_MS)})
    expected = expect_day(london(), window, JUNE).by_subject["site"]
    lost = slice(12 * 12, 18 * 12)
    assert np.isnan(expected.expected[lost]).all()
    assert (expected.bound[lost] > 0).all()
    assert np.isfinite(expected.expected[8 * 12 : 12 * 12]).all()


def test_case_f6_null_for_six_hours_is_unknown_not_clear_sky() -> None:
    hours = np.repeat(np.arange(24), 12)
    ghi = np.where((hours >= 12) & (hours < 18), np.nan, 0.8 * SKY.ghi)
    found = expect_day(london(), DAY.window({"weather-nowcast.ghi": DAY.means(ghi, HOUR_MS)}), JUNE)
    assert np.isnan(found.by_subject["site"].expected[12 * 12 : 18 * 12]).all()
    assert (found.basis[12 * 12 : 18 * 12] == Basis.NONE).all()


def test_a_worse_reference_serves_where_the_better_one_cannot_be() -> None:
    found = chosen(
        with_sensor(),
        {"sensor-1.ghi": DAY.instants(0.0), "weather-forecast.ghi": DAY.instants(0.7 * SKY.ghi)},
    )
    assert found.basis[NOON] == Basis.WEATHER


def test_a_sensor_in_the_plane_is_believed_for_that_plane() -> None:
    poa = 0.83 * clear_plane(SKY, 35.0, 180.0).clear.total
    found = expect_day(with_sensor("south"), DAY.window({"sensor-1.poa_irradiance": DAY.instants(poa)}), JUNE)
    assert (found.basis[UP] == Basis.MEASURED).all()
    assert (found.poa_wm2["south"][UP] == poa[UP]).all()


def test_a_sensor_in_one_plane_serves_the_others() -> None:
    """West from south: the sky is 0.6 of a clear one, so the west gets what that sky gives it."""
    west = Array("west", 35.0, 270.0, 2000.0, "inverter-1.input-2")
    site = london(SOUTH, west, sensors=(Sensor("sensor-1", "south"),))
    horizontal = london(SOUTH, west, sensors=(Sensor("sensor-1"),))
    truth = expect_day(horizontal, DAY.window({"sensor-1.ghi": DAY.instants(0.6 * SKY.ghi)}), JUNE)
    seen = {"sensor-1.poa_irradiance": DAY.instants(truth.poa_wm2["south"])}
    found = expect_day(site, DAY.window(seen), JUNE)
    high = (SKY.elevation_deg > 15) & (found.basis == Basis.MEASURED)
    assert high.sum() > 120
    ratio = found.poa_wm2["west"][high] / truth.poa_wm2["west"][high]
    assert np.abs(np.log(ratio)).max() < 0.2
    assert found.poa_wm2["west"][high].sum() == pytest.approx(truth.poa_wm2["west"][high].sum(), rel=0.05)


def test_a_sensor_that_the_sun_stands_behind_does_not_serve_other_planes() -> None:
    east = Array("east", 35.0, 90.0, 2000.0, "inverter-1.input-1")
    west = Array("west", 35.0, 270.0, 2000.0, "inverter-1.input-2")
    site = london(east, west, sensors=(Sensor("sensor-1", "east"),))
    poa = clear_plane(SKY, 35.0, 90.0).clear.total
    found = chosen(site, {"sensor-1.poa_irradiance": DAY.instants(poa)})
    evening = np.arange(210, 228)  # 17:30 to 19:00 UTC
    assert (found.basis[evening] == Basis.NONE).all()
    assert (found.basis[80:130] == Basis.MEASURED).all()


def test_temperatures_come_from_whoever_has_them() -> None:
    found = chosen(
        with_sensor(),
        {
            "sensor-1.ghi": DAY.instants(0.7 * SKY.ghi),
            "sensor-1.temp_air": DAY.instants(np.where(np.arange(288) < NOON, 21.0, np.nan)),
            "weather-nowcast.temp_air": DAY.instants(17.0),
        },
    )
    assert found.temp_air[NOON - 1] == 21.0
    assert found.temp_air[NOON] == 17.0
    assert np.isnan(found.wind_speed).all()


def test_a_mean_waits_for_the_end_of_its_hour() -> None:
    found = chosen(london(), {"weather-nowcast.ghi": DAY.means(0.7 * SKY.ghi, HOUR_MS)})
    assert found.known_ms[NOON] == DAY.ends[NOON + 11]


def test_a_worse_reference_waits_until_the_better_one_has_had_its_say() -> None:
    """Live at 12:10 nobody knows whether the sensor's hour will come; a replay knows. They must not differ."""
    site = london(
        sensors=(Sensor("sensor-1"),),
        sources=(mean_source("sensor-1", HOUR_MS),),
    )
    found = chosen(site, {"weather-forecast.ghi": DAY.means(0.7 * SKY.ghi, HOUR_MS, early=True)})
    assert found.basis[NOON] == Basis.WEATHER
    assert found.known_ms[NOON] == DAY.ends[NOON + 11]
    assert found.known_ms[NOON + 11] == DAY.ends[NOON + 11]


def test_a_companion_that_came_later_is_not_waited_for() -> None:
    late = gauge(np.full(288, 25.0), DAY.ends + HOUR_MS)
    found = chosen(london(), {"weather-nowcast.ghi": DAY.instants(SKY.ghi), "weather-nowcast.temp_air": late})
    assert (found.known_ms == DAY.ends).all()
    assert np.isnan(found.temp_air).all()


def as_known_at(window: Window, point_ms: int) -> Window:
    """The window as it was at a grid point."""
    ends = window.ends()
    return Window(
        window.start_ms,
        window.points,
        {
            name: gauge(
                np.where(one.known_ms <= point_ms, one.value, np.nan),
                np.where(one.known_ms <= point_ms, one.known_ms, ends),
                one.label_ms,
            )
            for name, one in window.gauges.items()
        },
        {},
    )


def cloudy(seed: int) -> Floats:
    return np.random.default_rng(seed).uniform(0.0, 1.35, 288) * SKY.ghi


def holes(values: Floats, seed: int, share: float) -> Floats:
    return np.where(np.random.default_rng(seed).random(288) < share, np.nan, values)


@given(seed=st.integers(0, 10**6), point=st.integers(50, 287), hourly_sensor=st.booleans(), plane=st.booleans())
@settings(max_examples=40, deadline=None)
def test_what_comes_later_changes_nothing_that_was_known(
    seed: int, point: int, hourly_sensor: bool, plane: bool
) -> None:
    """Cause and effect: for every interval, whether it may be used at a grid point, and its value, are settled then."""
    sensor_channel = "sensor-1.poa_irradiance" if plane else "sensor-1.ghi"
    sensed = holes(cloudy(seed), seed + 1, 0.4)
    site = london(
        SOUTH,
        Array("west", 35.0, 270.0, 2000.0, "inverter-1.input-2"),
        sensors=(Sensor("sensor-1", "south" if plane else "horizontal"),),
        sources=(
            *((mean_source("sensor-1", HOUR_MS),) if hourly_sensor else ()),
            mean_source("weather-analysis", HOUR_MS),
            mean_source("weather-nowcast", 15 * MINUTE_MS),
        ),
    )
    window = DAY.window(
        {
            sensor_channel: DAY.means(sensed, HOUR_MS) if hourly_sensor else DAY.instants(sensed),
            "sensor-1.temp_air": DAY.instants(holes(np.full(288, 19.0), seed + 2, 0.5)),
            "weather-analysis.ghi": DAY.means(holes(cloudy(seed + 3), seed + 4, 0.03), HOUR_MS),
            "weather-nowcast.ghi": DAY.means(holes(cloudy(seed + 5), seed + 6, 0.1), 15 * MINUTE_MS),
            "weather-nowcast.temp_air": DAY.means(15.0, 15 * MINUTE_MS),
            "weather-forecast.ghi": DAY.means(cloudy(seed + 7), HOUR_MS, early=True),
            "weather-forecast.dhi": DAY.means(0.4 * cloudy(seed + 7), HOUR_MS, early=True),
        }
    )
    point_ms = int(DAY.ends[point])
    then = expect_day(site, as_known_at(window, point_ms), JUNE)
    later = expect_day(site, window, JUNE)
    usable = usable_at(then, point_ms)
    assert (usable == usable_at(later, point_ms)).all()
    for name in later.by_subject:
        for part in ("expected", "low", "high"):
            before = getattr(then.by_subject[name], part)[usable]
            assert np.array_equal(before, getattr(later.by_subject[name], part)[usable], equal_nan=True)
    assert (then.basis[usable] == later.basis[usable]).all()


def usable_at(expected: Expected, point_ms: int) -> np.ndarray:  # type: ignore[type-arg]
    """Where an expectation exists and may be used, among the intervals that are over."""
    over = DAY.ends <= point_ms
    there = np.isfinite(expected.by_subject["site"].expected)
    return over & there & (expected.known_ms <= point_ms)


def test_a_window_that_holds_only_part_of_the_day_is_unknown_elsewhere() -> None:
    part = slice(100, 160)
    ends = DAY.ends[part]
    window = Window(JUNE + 100 * GRID_MS, 60, {"weather-nowcast.ghi": gauge(0.7 * SKY.ghi[part], ends.copy())}, {})
    found = choose(london(), window, SKY, JUNE)
    assert np.flatnonzero(found.basis).tolist() == list(range(100, 160))


def test_a_window_of_another_day_says_nothing() -> None:
    other = Day(JUNE - 5 * 24 * HOUR_MS).window({"weather-nowcast.ghi": DAY.instants(SKY.ghi)})
    after = Day(JUNE + 5 * 24 * HOUR_MS).window({"weather-nowcast.ghi": DAY.instants(SKY.ghi)})
    for window in (other, after):
        assert (choose(london(), window, SKY, JUNE).basis == Basis.NONE).all()
