"""A learned correction: what it looks at, what it may change, and that it is what the library fitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_windows import JUNE, SOUTH, Day, london
from sklearn.ensemble import HistGradientBoostingRegressor

from watcher.align.window import Window
from watcher.domain.instant import GRID_MS, POINTS_A_DAY, iso
from watcher.domain.model import Choice, Model, Trees, pack, unpack
from watcher.domain.site import Inverter, Sensor, Site
from watcher.expect import learned
from watcher.expect.day import expect_day
from watcher.expect.expectation import Basis
from watcher.expect.geometry import sky_of_day

LOW = Trees((0,), (-1,), (-0.2,), (0,), (0,))
"""One leaf: a fifth less, whatever the sky."""


def model(site_number: int, trees: Trees = LOW, **changes: object) -> Model:
    made = Model("inverter-1", JUNE, Choice.USED, site_number, 0, int(Basis.MEASURED), sun_high_deg=70.0, trees=trees)
    return replace(made, **changes)  # type: ignore[arg-type]


def rows(count: int, seed: int) -> np.ndarray:
    chance = np.random.default_rng(seed)
    return np.column_stack(
        [
            chance.uniform(5, 60, count), chance.uniform(60, 300, count), chance.uniform(0, 1.2, count),
            chance.uniform(0, 1.1, count), chance.uniform(-5, 30, count),
        ]
    )  # fmt: skip


def test_the_trees_kept_say_what_the_library_says() -> None:
    x = rows(900, 1)
    y = np.where(x[:, 1] < 120.0, -0.3, 0.0) + 0.1 * x[:, 2] + np.random.default_rng(2).normal(0.0, 0.03, 900)
    theirs = HistGradientBoostingRegressor(
        loss="absolute_error", learning_rate=learned.RATE, max_iter=learned.TREES, max_leaf_nodes=learned.LEAVES,
        min_samples_leaf=learned.LEAF_HOURS, max_bins=learned.BINS, early_stopping=False,
    ).fit(x, y)  # fmt: skip
    asked = rows(500, 3)
    # Thresholds are kept to five decimals, so a row in a thousand may stand on one.
    differs = np.abs(learned.predicted(learned.fit(x, y), asked) - theirs.predict(asked)) > 1e-3
    assert differs.mean() < 0.01


def test_the_same_hours_give_the_same_trees() -> None:
    x = rows(400, 5)
    assert learned.fit(x, x[:, 2]) == learned.fit(x.copy(), x[:, 2].copy())


def test_a_model_comes_back_from_its_bytes() -> None:
    x = rows(200, 7)
    kept = model(3, learned.fit(x, x[:, 0] / 100.0), offset=-0.0123)
    assert unpack(pack(kept)) == kept


@given(st.binary(max_size=40), st.integers(0, 300))
def test_damaged_bytes_of_a_model_are_refused(noise: bytes, at: int) -> None:
    whole = pack(model(3))
    for bytes_ in (noise, whole[: at % len(whole)]):
        with pytest.raises(ValueError, match="damaged model"):
            unpack(bytes_)


@settings(max_examples=30, deadline=None)
@given(st.integers(1, POINTS_A_DAY - 1), st.integers(0, 2**31), st.booleans())
def test_what_is_asked_of_an_interval_knows_no_later_one(point: int, seed: int, late: bool) -> None:
    """Cut off after any interval, or with rows that come late, the features up to it are the same to the last bit."""
    chance = np.random.default_rng(seed)
    plain = np.where(chance.random(POINTS_A_DAY) < 0.1, np.nan, chance.uniform(0, 3000, POINTS_A_DAY))
    bound, other = np.full(POINTS_A_DAY, 3000.0), chance.uniform(0, 50, POINTS_A_DAY)
    ends = JUNE + GRID_MS * np.arange(1, POINTS_A_DAY + 1)
    known = ends + (GRID_MS * chance.integers(0, 40, POINTS_A_DAY) if late else 0)
    whole = learned.features(other, other, plain, bound, other, known)
    now = ends[point]
    unseen = known > now
    then = learned.features(
        other, other, np.where(unseen, np.nan, plain), bound, other, np.where(unseen, np.maximum(ends, now), known)
    )
    assert np.array_equal(then[~unseen], whole[~unseen])


def day(clearness: float = 0.7, *, device: str = "sensor-1", limit_w: float = 3680.0) -> tuple[Site, Window]:
    site = replace(london(SOUTH), inverters=(Inverter("inverter-1", limit_w),), sensors=(Sensor("sensor-1"),))
    ghi = clearness * sky_of_day(site.latitude_deg, site.longitude_deg, site.altitude_m, JUNE).ghi
    return site, Day(JUNE).window({f"{device}.ghi": Day(JUNE).instants(ghi)})


def test_a_correction_acts_on_inputs_inverter_and_site_alike() -> None:
    site, window = day()
    number = learned.facts_number(site, "inverter-1")
    plain = expect_day(site, window, JUNE)
    found = expect_day(site, window, JUNE, models={"inverter-1": model(number)})
    for subject in ("inverter-1.input-1", "inverter-1", "site"):
        whole = float(np.nansum(plain.by_subject[subject].expected))
        assert np.nansum(found.by_subject[subject].expected) == pytest.approx(np.exp(-0.2) * whole, rel=0.01)
        assert np.array_equal(found.by_subject[subject].bound, plain.by_subject[subject].bound)
    assert np.array_equal(found.uncorrected["inverter-1"], plain.by_subject["inverter-1"].expected, equal_nan=True)
    assert found.model_ids == (f"inverter-1@{iso(JUNE)[:10]}",)
    assert plain.model_ids == ()


def test_no_correction_lifts_an_inverter_over_its_limit() -> None:
    site, window = day(1.0, limit_w=2000.0)
    high = model(1, Trees((0,), (-1,), (0.3,), (0,), (0,)))
    found = expect_day(site, window, JUNE, models={"inverter-1": high})
    assert np.nanmax(found.by_subject["inverter-1"].expected) == pytest.approx(2000.0)


def test_a_learned_limit_holds_the_expectation_and_its_bound_used_or_not() -> None:
    site, window = day(1.0)
    held = model(learned.facts_number(site, "inverter-1"), Trees(), choice=Choice.NO_BETTER, limit_w=1500.0)
    assert learned.in_force([held], JUNE, site) == {"inverter-1": held}
    one = expect_day(site, window, JUNE, models={"inverter-1": held}).by_subject["inverter-1"]
    plain = expect_day(site, window, JUNE).by_subject["inverter-1"]
    assert np.nanmax(one.expected) == np.nanmax(one.bound) == pytest.approx(1500.0)
    under = plain.expected < 1200.0
    assert np.allclose(one.expected[under], plain.expected[under], rtol=0.02)


def test_a_correction_is_bounded_however_much_the_trees_say() -> None:
    wild = model(1, Trees((0,), (-1,), (-3.0,), (0,), (0,)))
    assert learned.correction(wild, rows(3, 1)).tolist() == [-learned.BOUND] * 3


def test_an_hour_served_by_another_reference_is_left_as_it_is() -> None:
    site, window = day(device="weather-nowcast")
    found = expect_day(site, window, JUNE, models={"inverter-1": model(1)})
    plain = expect_day(site, window, JUNE)
    for subject, one in found.by_subject.items():
        assert np.array_equal(one.expected, plain.by_subject[subject].expected, equal_nan=True)


def test_the_band_is_wider_under_a_sun_higher_than_was_seen() -> None:
    site, window = day()
    nothing = Trees((0,), (-1,), (0.0,), (0,), (0,))
    seen = expect_day(site, window, JUNE, models={"inverter-1": model(1, nothing)}).by_subject["inverter-1"]
    unseen = expect_day(site, window, JUNE, models={"inverter-1": model(1, nothing, sun_high_deg=20.0)})
    wide, high = unseen.by_subject["inverter-1"], unseen.sun_elevation_deg > 25.0
    assert (wide.low[high] < seen.low[high]).all()
    low = ~high & (unseen.sun_elevation_deg < 20.0)
    assert np.array_equal(wide.low[low], seen.low[low], equal_nan=True)


def test_only_the_newest_model_made_before_the_day_under_its_own_facts_is_in_force() -> None:
    site, _ = day()
    number = learned.facts_number(site, "inverter-1")
    older, newer = model(number), model(number, made_ms=JUNE + 15 * 86_400_000)
    models = [older, newer]
    assert learned.in_force(models, JUNE - 1, site) == {}
    assert learned.in_force(models, JUNE, site) == {"inverter-1": older}
    assert learned.in_force(models, newer.made_ms, site) == {"inverter-1": newer}
    rated = replace(site, arrays=(replace(SOUTH, peak_power_w=5000.0),))
    assert learned.in_force(models, JUNE, rated) == {}
    refused = [replace(newer, choice=Choice.NO_BETTER)]
    assert learned.in_force(refused, newer.made_ms, site) == {}
