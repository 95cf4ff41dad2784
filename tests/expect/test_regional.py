"""The weather that neighbours' meters tell of: found again from their readings, whatever is wrong with some of them."""

from __future__ import annotations

import numpy as np
import pytest

from watcher.align.window import Floats
from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.expect.past_energy import PastEnergy
from watcher.expect.regional import LEAST_NEIGHBOURS, MONTH_MS, Neighbour, neighbour, regional_energy

BEGIN_MS = 180 * MONTH_MS // HOUR_MS * HOUR_MS
MONTHS = 60
HOURS = MONTHS * MONTH_MS // HOUR_MS


def even_sun() -> PastEnergy:
    sums = 300.0 * np.arange(HOURS + 1, dtype=np.float64)
    return PastEnergy(BEGIN_MS, sums, 2.0 * sums, 2.0 * sums)


SUN = even_sun()


def weather(seed: int = 4) -> Floats:
    """ln, by hour: quarters of their own."""
    quarter = np.arange(HOURS) * HOUR_MS // (3 * MONTH_MS)
    return np.random.default_rng(seed).normal(0.0, 0.12, MONTHS)[quarter]


def told(level: float, seed: int, dead_from: float = 2.0, under: Floats | None = None) -> Neighbour:
    """A neighbour's quarters under that weather. dead_from: share of the years from which on it makes half"""
    rng = np.random.default_rng(seed)
    hours = 300.0 * np.exp(weather() if under is None else under) * level
    hours[round(min(dead_from, 1.0) * HOURS) :] *= 0.5
    sums = np.concatenate(([0.0], np.cumsum(hours)))
    at = BEGIN_MS + 3 * MONTH_MS * np.arange(MONTHS // 3 + 1) + rng.integers(-9, 10, MONTHS // 3 + 1) * DAY_MS
    at = np.clip(at, BEGIN_MS, SUN.end_ms).astype(np.int64)
    index = np.interp(at, BEGIN_MS + HOUR_MS * np.arange(HOURS + 1), sums)
    made = np.diff(index) * np.exp(rng.normal(0.0, 0.04, len(at) - 1))
    found = neighbour(at[:-1], at[1:], made, SUN)
    assert found is not None
    return found


def by_quarter(energy: PastEnergy) -> Floats:
    at = np.array([BEGIN_MS + 3 * MONTH_MS * n for n in range(1, MONTHS // 3)], dtype=np.int64)
    return energy.between(at[:-1], at[1:]).expected


def relative(values: Floats) -> Floats:
    return np.asarray(values / values.mean())


def truth() -> Floats:
    sums = np.concatenate(([0.0], np.cumsum(300.0 * np.exp(weather()))))
    return by_quarter(PastEnergy(BEGIN_MS, sums, sums, sums))


@pytest.mark.parametrize("dead", [0, 3])
def test_the_quarters_of_a_region_are_found_again(dead: int) -> None:
    """Of twenty neighbours, some half dead from the middle on."""
    words = [told(0.7 + 0.03 * n, seed=n, dead_from=0.5 if n < dead else 2.0) for n in range(20)]
    found = regional_energy(SUN, words)
    assert found is not None
    off = relative(by_quarter(found)) / relative(truth()) - 1.0
    assert np.std(off) < 0.04
    assert np.std(relative(truth())) > 0.1


def test_fewer_than_five_speak_for_nobody() -> None:
    words = [told(1.0, seed=n) for n in range(LEAST_NEIGHBOURS - 1)]
    assert regional_energy(SUN, words) is None
    assert regional_energy(SUN, [*words, told(1.0, seed=9)]) is not None


def test_months_of_which_nobody_tells_are_not_known() -> None:
    words = [told(1.0, seed=n) for n in range(8)]
    half = MONTHS // 2
    early = [Neighbour(one.first, one.shares[:6], one.ratio[:6]) for one in words]
    found = regional_energy(SUN, early)
    assert found is not None
    late = np.array([BEGIN_MS + half * MONTH_MS], dtype=np.int64)
    assert found.between(late, late + 6 * MONTH_MS).known[0] == 0.0
    assert found.between(np.array([BEGIN_MS]), np.array([BEGIN_MS + 12 * MONTH_MS])).known[0] > 0.95


def test_a_stopped_meter_says_nothing_of_the_weather() -> None:
    at = BEGIN_MS + 3 * MONTH_MS * np.arange(9, dtype=np.int64)
    assert neighbour(at[:-1], at[1:], np.zeros(8), SUN) is None
