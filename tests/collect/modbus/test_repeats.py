"""Old values said again are told from values that stand still for good reasons."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.modbus.repeats import BELIEVED_MS, Repeats
from watcher.domain.instant import MINUTE_MS

LIVE = {"inverter-1.ac_voltage": 241.3, "inverter-1.frequency": 50.02, "inverter-1.temp_heatsink": 41.5}


def told_after(
    block: Mapping[str, float], minutes: int, every: int = 1, before: Mapping[str, float] = {}
) -> int | None:
    """After how many minutes of the same block it is called old; None where it never is."""
    repeats = Repeats()
    if before:
        repeats.judge(before, -every * MINUTE_MS)
    for minute in range(0, minutes + 1, every):
        if repeats.judge(block, minute * MINUTE_MS) is not None:
            return minute
    return None


POWER, ENERGY = "inverter-1.ac_power", "inverter-1.ac_energy"


@pytest.mark.parametrize(
    ("block", "before", "every", "minute"),
    [
        pytest.param({POWER: 2317, ENERGY: 5e6}, {POWER: 2300, ENERGY: 5e6 - 40}, 1, 3, id="a counter of watt-hours"),
        pytest.param({POWER: 2317, ENERGY: 5e6}, {POWER: 2300, ENERGY: 5e6 - 100}, 1, 6, id="a counter of 0.1 kWh"),
        pytest.param({POWER: 2317, ENERGY: 5e6}, {}, 1, 52, id="a counter not seen to move may show whole kWh"),
        pytest.param({POWER: 2317, ENERGY: 5e6, **LIVE}, {}, 1, 3, id="nothing trembles"),
        pytest.param({POWER: 2317, ENERGY: 5e6, **LIVE}, {}, 5, 10, id="nothing trembles, asked every five minutes"),
        pytest.param({"meter-1.grid_power": -900.0, **LIVE}, {}, 1, 3, id="power that flows out"),
        pytest.param({POWER: 0.0, ENERGY: 5e6}, {POWER: 5.0, ENERGY: 5e6 - 1}, 1, None, id="night: zeros are normal"),
        pytest.param({POWER: 0.0, ENERGY: 5e6, **LIVE}, {}, 1, None, id="night, and the grid stands still by chance"),
        pytest.param({POWER: 8.0, ENERGY: 5e6, **LIVE}, {}, 1, None, id="standby is no claim"),
        pytest.param({"meter-1.energy_index": 18_452_300.0}, {}, 1, None, id="a meter that tells no power may stand"),
        pytest.param({POWER: 3680.0}, {}, 1, None, id="power alone at its limit contradicts nothing"),
        pytest.param({POWER: 3680.0, "inverter-1.dc_voltage": 0.0}, {}, 1, None, id="zeros do not tremble"),
    ],
)  # fmt: skip
def test_the_same_block_is_old_only_where_it_contradicts_itself(
    block: dict[str, float], before: dict[str, float], every: int, minute: int | None
) -> None:
    assert told_after(block, 120, every, before) == minute


@given(
    st.lists(st.sampled_from([0.0, 1500.0, 3680.0]), min_size=2, max_size=40),
    st.integers(1, 3),
)
def test_no_block_that_moves_and_none_within_the_first_minutes_is_ever_called_old(
    powers: list[float], same: int
) -> None:
    repeats, now_ms, energy = Repeats(), 0, 0.0
    for power in powers:
        energy += 1.0
        for _ in range(same):
            assert repeats.judge({POWER: power, ENERGY: energy, **LIVE}, now_ms) is None
            now_ms += BELIEVED_MS // 3 - 1


def test_the_first_block_that_differs_is_believed_again() -> None:
    repeats = Repeats()
    block = {POWER: 2317.0, **LIVE}
    old = [repeats.judge(block, minute * MINUTE_MS) for minute in range(30)]
    assert [again is not None for again in old] == [False] * 3 + [True] * 27
    assert old[-1] is not None
    assert (old[-1].since_ms, old[-1].power_w) == (0, 2317.0)
    assert repeats.judge({**block, POWER: 2318.0}, 30 * MINUTE_MS) is None
