"""Splitting and transposing light, against published values and against themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_windows import DECEMBER, JUNE, MARCH

from watcher.align.window import Floats
from watcher.expect.dirint import dirint
from watcher.expect.geometry import Sky, plane_under, sky_of_day
from watcher.expect.irradiance import (
    Components,
    Split,
    back_to_horizontal,
    clear_plane,
    hay_davies,
    perez,
    split,
    transpose,
)


def made_sky(
    zenith_deg: list[float], azimuth_deg: list[float], day_of_year: int, dni_extra: float, airmass: list[float]
) -> Sky:
    """A sky typed in by hand, without a clear sky of its own."""
    count = len(zenith_deg)
    nothing = np.zeros(count)
    return Sky(
        day_of_year=np.full(count, day_of_year),
        zenith_deg=np.array(zenith_deg),
        apparent_zenith_deg=np.array(zenith_deg),
        azimuth_deg=np.array(azimuth_deg),
        dni_extra=np.full(count, dni_extra),
        airmass=np.array(airmass),
        pressure_pa=101325.0,
        ghi=nothing,
        dni=nothing,
        dhi=nothing,
    )


# pvlib tests/test_irradiance.py: 32.2 N, 111 W, 24 June 2014, tilt 40 degrees south; morning, noon, late.
TUCSON = made_sky([82.8546, 10.5641, 72.4169], [66.714, 144.766, 287.041], 175, 1321.1656, [7.588, 1.0169, 3.2793])
TUCSON_LIGHT = Components(
    ghi=np.array([79.739, 1042.480, 257.208]),
    dni=np.array([316.195, 939.955, 646.229]),
    dhi=np.array([40.461, 118.458, 62.034]),
)


def test_hay_and_davies_give_the_published_set() -> None:
    found = hay_davies(plane_under(TUCSON, 40.0, 180.0), TUCSON_LIGHT)
    assert found == pytest.approx([27.1775, 102.9949, 33.1909], abs=0.01)


def test_perez_gives_the_published_set() -> None:
    found = perez(plane_under(TUCSON, 40.0, 180.0), TUCSON_LIGHT)
    assert found[[0, 2]] == pytest.approx([31.4605, 45.4554], abs=0.01)  # inputs typed to three places


def test_in_plane_light_is_beam_and_sky_and_ground() -> None:
    plane = plane_under(TUCSON, 40.0, 180.0)
    found = transpose(plane, TUCSON_LIGHT).total
    incidence = pvlib.irradiance.aoi(40.0, 180.0, TUCSON.apparent_zenith_deg, TUCSON.azimuth_deg)
    beam = TUCSON_LIGHT.dni * np.maximum(np.cos(np.radians(incidence)), 0)
    # Ground share of a 40 degree plane: 900 W/m2 at albedo 0.25 give 26.32 (pvlib's tests), so at 0.2 per W/m2:
    ground = TUCSON_LIGHT.ghi * 26.32 / 900 / 0.25 * 0.2
    sky = np.array([31.4605, 0.0, 45.4554])
    assert found[[0, 2]] == pytest.approx((beam + sky + ground)[[0, 2]], abs=0.02)


@pytest.mark.parametrize(
    ("day_of_year", "ghi", "zenith_deg", "dni", "dhi"),
    [
        # pvlib tests/test_irradiance.py, Erbs; there with Spencer's radiation of the day.
        pytest.param(1, 50.0, 85.0, 96.7, 41.57, id="1 January, low sun"),
        pytest.param(1, 1000.0, 10.0, 794.2, 217.9, id="1 January, high sun"),
        pytest.param(171, 1000.0, 10.0, 842.0, 170.8, id="20 June, high sun"),
        pytest.param(1, 0.0, 95.0, 0.0, 0.0, id="night"),
    ],
)
def test_erbs_gives_the_published_split(
    day_of_year: int, ghi: float, zenith_deg: float, dni: float, dhi: float
) -> None:
    sky = made_sky([zenith_deg], [180.0], day_of_year, 1367.0, [1.0])
    found = split(sky, np.array([ghi]), Split.ERBS)
    assert (found.dni[0], found.dhi[0]) == pytest.approx((dni, dhi), rel=2e-3, abs=1e-9)


def test_where_perez_is_undefined_hay_and_davies_serve() -> None:
    """Without diffuse light Perez divides 0 by 0; the plane still sees beam and ground."""
    sky = made_sky([40.0], [180.0], 172, 1321.0, [1.3])
    plane = plane_under(sky, 35.0, 180.0)
    light = Components(np.array([613.0]), np.array([800.0]), np.array([0.0]))
    assert np.isfinite(transpose(plane, light).total).all()
    assert transpose(plane, light).total[0] == pytest.approx(800 * np.cos(np.radians(5)) + 613 * 0.2 * 0.0904, rel=1e-3)


clearness = st.lists(st.floats(0.0, 1.1), min_size=288, max_size=288)


@pytest.mark.parametrize("how", list(Split))
@given(index=clearness)
@settings(max_examples=15, deadline=None)
def test_the_parts_add_up_to_the_whole(how: Split, index: list[float]) -> None:
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    ghi = sky.ghi * np.array(index)
    found = split(sky, ghi, how)
    assert found.dni * sky.cos_zenith + found.dhi == pytest.approx(ghi, abs=1e-6)
    assert (found.dni >= 0).all()
    assert (found.dhi >= 0).all()


@given(index=clearness, cut=st.integers(60, 240))
@settings(max_examples=15, deadline=None)
def test_a_split_does_not_look_ahead(index: list[float], cut: int) -> None:
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    whole = sky.ghi * np.array(index)
    so_far = np.where(np.arange(288) < cut, whole, np.nan)
    for how in Split:
        known, later = split(sky, so_far, how), split(sky, whole, how)
        for part, same in zip(known, later, strict=True):
            assert (part[:cut] == same[:cut]).all()


def test_dirint_uses_the_step_since_the_interval_before() -> None:
    """Under a jumping sky the same clearness holds less beam than under a steady one (Perez et al. 1992)."""
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    steady = split(sky, 0.9 * sky.ghi, Split.DIRINT).dni
    jumping = np.where(np.arange(288) % 2 == 0, 0.3, 0.9) * sky.ghi
    noon = np.arange(140, 151)
    odd = noon[noon % 2 == 1]
    assert (split(sky, jumping, Split.DIRINT).dni[odd] < steady[odd]).all()


@pytest.mark.parametrize("how", list(Split))
def test_unknown_light_stays_unknown_and_the_night_stays_dark(how: Split) -> None:
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    ghi = sky.ghi.copy()
    ghi[150] = np.nan
    found = split(sky, ghi, how)
    in_plane = transpose(plane_under(sky, 35.0, 180.0), found)
    for values in (*found, in_plane.total, in_plane.effective):
        assert np.flatnonzero(np.isnan(values)).tolist() == [150]
        assert (values[sky.elevation_deg <= 0] == 0).all()


def test_glass_takes_from_the_beam_only() -> None:
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    clear = clear_plane(sky, 35.0, 90.0).clear
    assert (clear.effective <= clear.total).all()
    plane = plane_under(sky, 35.0, 90.0)
    overcast = transpose(plane, Components(0.2 * sky.ghi, np.zeros(288), 0.2 * sky.ghi))
    assert (overcast.effective == overcast.total).all()


@pytest.mark.parametrize("day", [JUNE, MARCH, DECEMBER], ids=["June", "March", "December"])
@pytest.mark.parametrize(
    ("tilt_deg", "azimuth_deg", "wrong_by"),
    [(0.0, 180.0, 1e-9), (35.0, 180.0, 0.06), (35.0, 90.0, 0.06), (60.0, 300.0, 0.06)],
    ids=["flat", "south", "east", "steep north-west"],
)
def test_a_plane_leads_back_to_the_horizontal(day: int, tilt_deg: float, azimuth_deg: float, wrong_by: float) -> None:
    """Wherever the answer is called certain, to a share of the clear sky: the 18 levels' own error."""
    sky = sky_of_day(51.5, -0.12, 20.0, day)
    plane = plane_under(sky, tilt_deg, azimuth_deg)
    for index in (0.2, 0.5, 0.8, 1.0):
        ghi = index * sky.ghi
        found = back_to_horizontal(plane, transpose(plane, split(sky, ghi, Split.ERBS)).total)
        sure = found.certain & (sky.elevation_deg > 5)
        assert sure.any()
        assert (np.abs(found.ghi - ghi)[sure] <= wrong_by * sky.ghi[sure]).all()


def test_a_plane_that_the_sun_stands_behind_cannot_tell_haze_from_a_clear_sky() -> None:
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    east = plane_under(sky, 35.0, 90.0)
    clear = transpose(east, split(sky, sky.ghi, Split.ERBS)).total
    behind = (east.cos_incidence < 0.2) & (sky.elevation_deg > 10)
    assert behind.sum() > 10
    assert not back_to_horizontal(east, clear).certain[behind].any()


def test_leading_back_keeps_gaps_and_darkness() -> None:
    sky = sky_of_day(51.5, -0.12, 20.0, JUNE)
    poa: Floats = clear_plane(sky, 35.0, 180.0).clear.total.copy()
    poa[140] = np.nan
    found, certain = back_to_horizontal(plane_under(sky, 35.0, 180.0), poa)
    assert not certain[140]
    assert np.flatnonzero(np.isnan(found)).tolist() == [140]
    assert (found[sky.elevation_deg < -1] == 0).all()


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), day=st.integers(1, 366))
def test_dirint_in_arrays_is_pvlibs(seed: int, day: int) -> None:
    """pvlib takes the mean step to both neighbours: with a gap after each value only the one before is left."""
    chance = np.random.default_rng(seed)
    count = 48
    zenith = chance.uniform(1.0, 89.9, count)
    ghi = 1200.0 * np.cos(np.radians(zenith)) * chance.uniform(0.0, 1.2, count)
    before, before_zenith = 1000.0 * chance.uniform(0.0, 1.0, count), chance.uniform(1.0, 95.0, count)
    before[chance.uniform(size=count) < 0.2] = np.nan
    series = np.column_stack([before, ghi, np.full(count, np.nan)]).ravel()
    zeniths = np.column_stack([before_zenith, zenith, zenith]).ravel()
    days = pd.Index(np.full(3 * count, day))
    published = pvlib.irradiance.dirint(pd.Series(series, index=days), zeniths, days, pressure=101_000.0)
    own = dirint(ghi, zenith, np.full(count, day), 101_000.0, before, before_zenith)
    np.testing.assert_allclose(own, np.asarray(published)[1::3], rtol=1e-12)
