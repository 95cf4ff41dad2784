"""Rows as lines, and what of a value a store of decimal numbers keeps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.domain.quantity import QUANTITIES
from watcher.store.server.lines import Row, decimals, in_range, line, rounded


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        pytest.param(
            Row(1, "home-1", "inverter-1.ac_power", 1718964000000, 2310.0, None),
            "pv_watcher,site=home-1,channel=inverter-1.ac_power value=2310.0 1718964000000",
            id="on time",
        ),
        pytest.param(
            Row(1, "home-1", "meter-1.energy_index", 1718964000000, -0.5, 1718967600123),
            "pv_watcher,site=home-1,channel=meter-1.energy_index value=-0.5,received=1718967600123.0 1718964000000",
            id="late, with its receipt",
        ),
    ],
)
def test_a_row_is_one_line_with_floats_only(row: Row, expected: str) -> None:
    assert line(row) == expected


@pytest.mark.parametrize(
    ("channel", "expected"),
    [
        pytest.param("inverter-1.ac_power", 5, id="a power, to 0.01 mW"),
        pytest.param("inverter-1.input-1.dc_current", 5, id="a current"),
        pytest.param("meter-1.energy_index", 2, id="a lifetime counter, to 0.01 Wh"),
        pytest.param("pulse-1.pulse_count", 0, id="pulses are whole"),
        pytest.param("some-1.thing_unknown", 3, id="a quantity nobody knows"),
    ],
)
def test_the_range_of_a_quantity_leaves_room_for_so_many_decimals(channel: str, expected: int) -> None:
    assert decimals(channel) == expected


def test_the_largest_value_of_every_quantity_is_a_whole_number_of_its_smallest_steps() -> None:
    for quantity in QUANTITIES.values():
        step = decimals(f"x.{quantity.name}")
        assert max(abs(quantity.low), abs(quantity.high)) * 10**step <= 2**53


@given(st.floats(-(2.0**53), 2.0**53), st.integers(0, 5))
def test_rounding_twice_is_rounding_once_and_never_far_off(value: float, to: int) -> None:
    once = rounded(value, to)
    assert rounded(once, to) == once
    assert abs(once - value) <= max(0.5000001 * 10**-to, 5e-11 * abs(value))


@given(st.integers(-(10**11) + 1, 10**11 - 1), st.integers(0, 5))
def test_what_a_device_resolves_passes_unchanged(raw: int, to: int) -> None:
    assert rounded(raw / 10**to, to) == raw / 10**to


@pytest.mark.parametrize("value", [2.0**53 + 2, -1e300])
def test_a_value_beyond_all_quantities_is_refused(value: float) -> None:
    assert in_range("x.ac_power", 0, 2.0**53) == 2.0**53
    with pytest.raises(ValueError, match="larger than anything"):
        in_range("x.ac_power", 0, value)
