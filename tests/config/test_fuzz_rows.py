"""A short cut of the fuzzing of imported rows."""

from __future__ import annotations

import pytest

from tests.config.fuzz_rows import fuzz


@pytest.mark.parametrize("seed", [1, 2])
def test_ugly_rows_are_read_exactly_or_refused_and_counted(seed: int) -> None:
    found = fuzz(2_000, seed)
    assert found["values stored"] > 100
    assert found["refusals told"] > 100
