"""Neighbours' power is led back to the sky over them, and only the middle of enough of them is believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_power import power_under
from made_windows import DECEMBER, JUNE, MARCH, SOUTH, Day, london

from watcher.align.build import build_window
from watcher.align.window import Bools, Floats, Window
from watcher.domain.instant import DAY_MS, GRID_MS, MINUTE_MS, POINTS_A_DAY
from watcher.domain.neighbours import FEWEST, LATEST_MS, QUARTER_MS, SETTLE_MS, distance_km, label_of, quarter_of
from watcher.domain.reading import Samples
from watcher.domain.site import Array, Inverter, Site, Source, SourceKind, Storage
from watcher.expect import peers
from watcher.expect.choose import choose
from watcher.expect.day import expect_day
from watcher.expect.expectation import Basis
from watcher.expect.geometry import sky_of_day

EAST_WEST = (
    Array("east", 35.0, 95.0, 2200.0, "inverter-1.input-1"),
    Array("west", 35.0, 275.0, 2200.0, "inverter-1.input-2"),
)
STEEP = replace(SOUTH, tilt_deg=50.0, azimuth_deg=215.0)
ALWAYS: Bools = np.ones(POINTS_A_DAY, dtype=bool)
NEXT_DOOR = Source(SourceKind.NEIGHBOURS, "neighbours")


def told(site: Site, power: Floats, day: int, listened: Bools = ALWAYS) -> peers.Told:
    return peers.told(site, peers.quarters_of_day(site, day), [power], listened)


@pytest.mark.parametrize("day", [JUNE, MARCH, DECEMBER])
@pytest.mark.parametrize("arrays", [(SOUTH,), (STEEP,), EAST_WEST], ids=["south", "steep", "east-west"])
@pytest.mark.parametrize("clearness", [0.25, 0.6, 0.9])
def test_the_clearness_over_a_plant_of_any_plane_is_read_back_from_its_power(
    arrays: tuple[Array, ...], day: int, clearness: float
) -> None:
    """The mean of three intervals stands for a quarter, so dawn and dusk are a little off."""
    site = london(*arrays, ac_limit_w=6000.0)
    found = told(site, power_under(site, clearness, day), day)
    known = np.isfinite(found.clearness)
    assert known.sum() > (10 if day == DECEMBER else 25)
    assert found.clearness[known] == pytest.approx(clearness, abs=0.03)
    assert found.day_means() == pytest.approx([clearness], abs=0.01)


def test_a_plant_at_its_limit_tells_nothing() -> None:
    site = london(SOUTH, ac_limit_w=2000.0)
    found = told(site, power_under(site, 1.0, JUNE), JUNE)
    noon = slice(44, 52)
    assert np.isnan(found.clearness[noon]).all()
    assert np.isfinite(found.clearness).any()  # the morning is told
    assert not found.dark.any()


def test_a_plane_that_is_turned_away_tells_nothing_rather_than_anything() -> None:
    west = london(replace(SOUTH, tilt_deg=60.0, azimuth_deg=270.0))
    found = told(west, power_under(west, 0.9, JUNE), JUNE)
    known = np.isfinite(found.clearness)
    morning, afternoon = slice(24, 36), slice(56, 72)
    assert known[morning].sum() < known[afternoon].sum()
    assert found.clearness[known] == pytest.approx(0.9, abs=0.06)


@pytest.mark.parametrize(
    ("site", "answer"),
    [
        pytest.param(london(), True, id="an-ordinary-home"),
        pytest.param(london(export_limit_w=3000.0), False, id="held-back-by-an-export-limit"),
        pytest.param(london(inverters=(Inverter("inverter-1", 3680.0, storage=Storage.DC),)), False, id="dc-battery"),
        pytest.param(london(inverters=(Inverter("inverter-1", 3680.0, storage=Storage.AC),)), True, id="ac-battery"),
    ],
)
def test_only_a_plant_whose_output_is_the_sky_s_tells_of_it(site: Site, answer: bool) -> None:
    assert peers.tells(site) is answer


def test_a_plant_is_dark_where_it_makes_nothing_or_is_not_heard_while_we_listen() -> None:
    site, power = london(), power_under(london(), 0.8, JUNE)
    noon, later, latest = slice(144, 150), slice(168, 174), slice(180, 186)
    power[noon], power[later], power[latest] = 0.0, np.nan, np.nan
    listened = ALWAYS.copy()
    listened[latest] = False
    found = told(site, power, JUNE, listened)
    dark = np.zeros(peers.QUARTERS, dtype=bool)
    dark[48:50] = dark[56:58] = True
    assert (found.dark == dark).all()
    assert not found.lit[60:62].any()  # nobody can say: it is not counted at all
    assert found.lit[40:60].all()
    assert not found.lit[:16].any()
    assert not found.lit[88:].any()


def test_an_overcast_never_makes_a_plant_dark() -> None:
    for day in (JUNE, DECEMBER):
        assert not told(london(), power_under(london(), 0.08, day), day).dark.any()


def rows(*values: float) -> list[Floats]:
    return [np.full(4, value) for value in values]


@pytest.mark.parametrize(
    ("values", "answer"),
    [
        pytest.param((0.5, 0.6), np.nan, id="two-are-too-few"),
        pytest.param((0.5, 0.6, 0.9), 0.6, id="the-middle-of-three"),
        pytest.param((0.5, 0.6, 0.0, np.nan), 0.5, id="who-says-nothing-does-not-count"),
        pytest.param((0.5, 0.52, 0.54, 0.01, 0.02), 0.5, id="two-that-fail-do-not-carry-three"),
        pytest.param((), np.nan, id="nobody"),
    ],
)
def test_the_middle_of_at_least_three(values: tuple[float, ...], answer: float) -> None:
    found = peers.middle(rows(*values), [0.0] * len(values))
    assert found[:4] == pytest.approx(answer, nan_ok=True)
    assert FEWEST == 3


def test_a_neighbour_with_a_rating_typed_wrong_is_taken_at_its_own_level() -> None:
    """A third more on file than on the roof: it would always call the sky darker than it is."""
    chance = np.random.default_rng(14)
    days = chance.uniform(0.2, 0.9, 30)
    means = {"a": days, "b": days * 1.02, "c": days * 0.98, "wrong": days / 1.35}
    level = peers.levels({name: list(one) for name, one in means.items()})
    assert level["wrong"] == pytest.approx(np.log(1 / 1.35), abs=0.02)
    today = peers.middle(rows(0.6, 0.612, 0.588, 0.6 / 1.35), list(level.values()))
    assert today == pytest.approx(0.6, abs=0.01)


def test_a_neighbour_that_is_far_from_the_others_is_left_out_and_a_new_one_believed() -> None:
    days = [0.5] * 20
    means = {"a": days, "b": days, "c": days, "half-dead": [0.25] * 20, "new": [np.nan] * 18 + [0.4, 0.4]}
    assert peers.levels(means) == pytest.approx({"a": 0.0, "b": 0.0, "c": 0.0, "new": 0.0})


@settings(max_examples=40, deadline=None)
@given(
    values=st.lists(st.floats(0.02, 1.2), min_size=3, max_size=9),
    spoilt=st.floats(0.0, 1.2),
)
def test_one_neighbour_alone_moves_the_middle_no_further_than_to_its_next(values: list[float], spoilt: float) -> None:
    before = sorted(values)
    found = float(peers.middle(rows(*values[:-1], spoilt), [0.0] * len(values))[0])
    assert before[0] - 1e-9 <= found <= before[-1] + 1e-9 or len(values) == 3


@given(now=st.integers(0, 10 * DAY_MS))
def test_a_label_names_its_quarter_and_is_never_late(now: int) -> None:
    quarter_ms = quarter_of(now)
    assert quarter_ms % QUARTER_MS == 0
    assert SETTLE_MS <= now - quarter_ms < LATEST_MS
    label_ms = label_of(quarter_ms, now + 5 * MINUTE_MS)
    assert quarter_of(label_ms) == quarter_ms
    assert label_ms < quarter_ms + LATEST_MS


def test_distances_are_those_of_an_atlas() -> None:
    """London to Manchester 262 km, Land's End to John o' Groats 970 km (from memory, rounded)."""
    assert distance_km((51.51, -0.13), (53.48, -2.24)) == pytest.approx(262.0, abs=3.0)
    assert distance_km((50.07, -5.72), (58.64, -3.07)) == pytest.approx(970.0, abs=10.0)


def window_of(values: dict[int, float], channel: str = "neighbours.ghi", day: int = JUNE) -> Window:
    """A day in which neighbours told these values, by the end of the quarter in quarters of the day."""
    column = [(day + quarter * QUARTER_MS + SETTLE_MS + 90_000, value) for quarter, value in sorted(values.items())]
    return build_window(london(sources=(NEXT_DOOR,)), {channel: Samples.of(column)}, (), day, POINTS_A_DAY)


def test_a_quarter_s_value_fills_its_own_intervals_from_when_it_was_reckoned() -> None:
    gauge = window_of({48: 400.0, 49: 500.0}).gauge("neighbours.ghi")
    assert gauge is not None
    assert np.flatnonzero(np.isfinite(gauge.value)).tolist() == [141, 142, 143, 144, 145, 146]
    assert gauge.value[141:147].tolist() == [400.0] * 3 + [500.0] * 3
    noon = JUNE + 48 * QUARTER_MS
    assert gauge.known_ms[141:144].tolist() == [noon + 2 * GRID_MS] * 3
    assert gauge.known_ms[147] == noon + 2 * QUARTER_MS + LATEST_MS  # what has not come may come until then


def test_of_two_values_of_one_quarter_the_first_holds() -> None:
    noon = JUNE + 48 * QUARTER_MS
    column = Samples.of([(noon + SETTLE_MS, 400.0), (noon + SETTLE_MS + QUARTER_MS - 1, 700.0)])
    gauge = build_window(london(), {"neighbours.ghi": column}, (), JUNE, POINTS_A_DAY).gauge("neighbours.ghi")
    assert gauge is not None
    assert gauge.value[141] == 400.0


def test_neighbours_serve_after_a_sensor_and_before_satellite_and_forecast() -> None:
    site = london(sources=(NEXT_DOOR,))
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    window = window_of(dict.fromkeys(range(40, 61), 300.0))
    other = Day(JUNE).instants(0.8 * sky.ghi)
    window.gauges.update({"weather-analysis.ghi": other, "weather-forecast.ghi": other})  # type: ignore[attr-defined]
    found = choose(site, window, sky, JUNE)
    assert (found.basis[117:180] == Basis.PEERS).all()
    assert (found.basis[:117] == Basis.SATELLITE).all()
    # A satellite's value must wait until it is sure that the neighbours have nothing to say of that quarter.
    assert (found.known_ms[60:63] == JUNE + 21 * QUARTER_MS + LATEST_MS).all()


def test_heat_that_the_neighbours_power_already_tells_of_is_not_reckoned_twice() -> None:
    site = london(sources=(NEXT_DOOR,))
    values = dict.fromkeys(range(40, 61), 500.0)
    alone = expect_day(site, window_of(values), JUNE)
    warm = window_of(values)
    warm.gauges.update({"weather-forecast.temp_air": Day(JUNE).instants(34.0)})  # type: ignore[attr-defined]
    found = expect_day(site, warm, JUNE)
    served = found.basis == Basis.PEERS
    assert served.sum() == 63
    assert (found.by_subject["site"].expected[served] == alone.by_subject["site"].expected[served]).all()
    assert (found.temp_air == 34.0).all()  # it is told all the same: snow is judged by it


def test_a_home_beside_three_others_is_expected_as_they_do() -> None:
    """Planes apart, one rating wrong by nothing, one neighbour dead: the sky over them is the one over it."""
    sky = np.repeat(np.random.default_rng(3).uniform(0.3, 1.0, 24), 12)
    homes = [london(SOUTH), london(STEEP), london(*EAST_WEST, ac_limit_w=4400.0), london(SOUTH)]
    said = [told(home, power_under(home, sky, MARCH), MARCH).clearness for home in homes[:3]]
    said.append(told(homes[3], np.zeros(POINTS_A_DAY), MARCH).clearness)
    site = london(replace(SOUTH, azimuth_deg=150.0), sources=(NEXT_DOOR,))
    ghi = peers.middle(said, [0.0] * 4) * peers.quarters_of_day(site, MARCH).ghi
    values = {n + 1: float(one) for n, one in enumerate(ghi) if np.isfinite(one)}
    expected = expect_day(site, window_of(values, day=MARCH), MARCH)
    served = (expected.basis == Basis.PEERS) & (expected.sun_elevation_deg > 8.0)
    whole = power_under(site, sky, MARCH)
    made, due = whole[served].sum(), expected.by_subject["site"].expected[served].sum()
    assert served.sum() > 90
    assert due == pytest.approx(made, rel=0.02)
