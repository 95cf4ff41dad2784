"""The band of long sums: days average out, slow errors do not, and a better basis is never the wider one."""

from __future__ import annotations

import numpy as np
import pytest

from watcher.expect.expectation import Basis
from watcher.expect.sum_band import SLOW, sum_sigma

BEST_FIRST = (Basis.MEASURED, Basis.SATELLITE, Basis.WEATHER, Basis.NONE)


def sigma(basis: Basis, days: float, noon_deg: float = 50.0) -> float:
    return float(sum_sigma(basis, np.array([days]), np.array([noon_deg]))[0])


@pytest.mark.parametrize("basis", list(SLOW))
def test_a_longer_sum_is_better_known_and_never_better_than_its_slow_error(basis: Basis) -> None:
    found = [sigma(basis, days) for days in (1.0, 7.0, 30.0, 91.0, 365.0, 3650.0)]
    assert found == sorted(found, reverse=True)
    assert SLOW[basis][1] < found[-1] < 1.1 * SLOW[basis][1] + 0.01


@pytest.mark.parametrize("basis", list(SLOW))
def test_winter_is_worse_known_than_summer(basis: Basis) -> None:
    assert sigma(basis, 91.0, 15.0) > sigma(basis, 91.0, 60.0)


@pytest.mark.parametrize("days", [7.0, 91.0, 365.0])
def test_a_better_basis_has_the_narrower_band(days: float) -> None:
    found = [sigma(basis, days) for basis in BEST_FIRST]
    assert found == sorted(found)
    assert sigma(Basis.SATELLITE, days) < sigma(Basis.PEERS, days) < sigma(Basis.NONE, days)
