"""The sun's height without the model stack, against pvlib's solar position algorithm."""

from __future__ import annotations

import pandas as pd
import pvlib
import pytest

from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.sun_height import sun_height_deg


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(52.0, -1.0), (60.2, -1.2), (49.9, -6.3), (0.0, 100.0), (-33.9, 151.2), (78.0, 15.0)]
)
def test_the_height_is_that_of_the_solar_position_algorithm_within_a_twentieth_of_a_degree(
    latitude: float, longitude: float
) -> None:
    begin = parse_iso("2026-01-01T00:00:00Z")
    instants = [begin + hour * HOUR_MS for hour in range(0, 366 * 24, 7)]
    times = pd.DatetimeIndex(pd.to_datetime(instants, unit="ms", utc=True))
    true = pvlib.solarposition.spa_python(times, latitude, longitude)["elevation"]
    ours = [sun_height_deg(latitude, longitude, at) for at in instants]
    assert max(abs(one - other) for one, other in zip(ours, true, strict=True)) < 0.05
