"""Clear spells: smoothness and not level finds them, and a day that has some is known better."""

from __future__ import annotations

from dataclasses import replace
from math import log

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, broken, home_site
from watcher.align.window import Floats
from watcher.detect.clear_spells import SIGMA, clear_ratio, joined
from watcher.domain.instant import POINTS_A_DAY, parse_iso

NOON = slice(POINTS_A_DAY // 2, POINTS_A_DAY)


def _ratio(clearness: Floats | float, share: float = 1.0, limit_w: float = 1e5, reference: float = 1.0) -> float | None:
    """Of one June day of a plant that makes a share of what it could, beside a reference that errs by a factor."""
    home = Home(home_site(replace(SOUTH, peak_power_w=4000.0)), parse_iso("2026-06-10T00:00:00Z"), 1, clearness)
    expected = home.possible
    mine = expected.by_subject["inverter-1"]
    power = np.minimum(home.ac_w("inverter-1") * share, limit_w)
    used = np.isfinite(power)
    told = mine.expected * reference
    return clear_ratio(power, mine.bound, told, expected.temp_air, expected.sun_elevation_deg, limit_w, used)


def test_half_a_plant_under_a_clear_sky_makes_half_of_it() -> None:
    whole, half = _ratio(1.0), _ratio(1.0, share=0.5)
    assert whole is not None
    assert half is not None
    assert whole == pytest.approx(1.0, abs=0.06)
    assert half / whole == pytest.approx(0.5, abs=0.005)


def test_passing_clouds_are_no_clear_sky_and_a_clear_afternoon_is_enough() -> None:
    clouds = broken(POINTS_A_DAY, 3, level=0.6)
    assert _ratio(clouds) is None
    clouds[NOON] = 1.0
    assert _ratio(clouds) == pytest.approx(1.0, abs=0.06)


def test_a_smooth_overcast_is_told_by_the_reference_and_a_limit_is_no_spell() -> None:
    assert _ratio(0.5) is None
    assert _ratio(1.0, limit_w=500.0) is None


@pytest.mark.parametrize("reference", [0.85, 1.1])
def test_the_reference_s_own_error_does_not_move_it(reference: float) -> None:
    assert _ratio(1.0, reference=reference) == pytest.approx(_ratio(1.0))


def test_a_day_with_clear_hours_is_known_better_and_stands_on_the_reference_s_level() -> None:
    chance = np.random.default_rng(3)
    sigma, loss, offset = 0.12, log(0.8), 0.07
    errors, claimed = [], []
    for _ in range(4000):
        offsets = list(offset + np.hypot(SIGMA, sigma) * chance.standard_normal(10))
        by_reference = loss + sigma * chance.standard_normal()
        by_itself = loss + offset + SIGMA * chance.standard_normal()
        found, own = joined(by_reference, sigma, by_itself, offsets)
        errors.append(found - loss)
        claimed.append(own)
    assert float(np.mean(errors)) == pytest.approx(0.0, abs=0.005)
    assert float(np.std(errors)) == pytest.approx(float(np.median(claimed)), rel=0.1)
    assert float(np.mean(claimed)) < 0.5 * sigma


def test_two_that_disagree_are_neither_as_sure_as_they_say() -> None:
    """As after a winter, when clear hours stand on another level beside the reference than they will in spring."""
    offsets = [0.25] * 10
    agreed = joined(0.05, 0.07, 0.30, offsets)
    apart = joined(0.05, 0.07, 0.05, offsets)
    assert apart[0] < 0.0, "it is believed still"
    assert apart[1] > 1.5 * agreed[1]
    assert apart[1] > 0.07, "but less than the reference by itself"


def test_with_fewer_than_four_such_days_the_reference_stands_alone() -> None:
    assert joined(-0.3, 0.1, 0.0, [0.1, 0.1, 0.1]) == (-0.3, 0.1)
