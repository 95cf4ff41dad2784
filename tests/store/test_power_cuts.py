"""A short seeded cut of the power-cut kit. The full figure: python -m tests.store.power_cuts --count 200 --io-errors"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.store.power_cuts import built_shim, cut, io_errors

needs_compiler = pytest.mark.skipif(
    shutil.which("gcc") is None and shutil.which("cc") is None, reason="no C compiler here to build the failing disk"
)


@pytest.mark.slow
def test_case_e2_cuts_lose_nothing_acknowledged_and_double_nothing(tmp_path: Path) -> None:
    """cut() raises where a promise is broken; without a compiler, kills stand in for the disk that forgets."""
    counts = cut(tmp_path, 10, seed=1, shim=built_shim(tmp_path))
    assert sum(counts[kind] for kind in ("kill", "unsynced", "torn", "garbled")) == 10
    assert counts["batches"] > 50
    assert counts["set aside"] <= counts["torn"] + counts["garbled"]


@needs_compiler
@pytest.mark.slow
def test_an_error_at_any_write_of_an_hour_costs_no_reading(tmp_path: Path) -> None:
    shim = built_shim(tmp_path)
    assert shim is not None
    tried = io_errors(tmp_path, shim, 2, 50)
    assert len(tried) > 10
    assert [one["error_at"] for one in tried if not one["whole"]] == []
    # The last one lay beyond the hour's writes: every stretch of it was tried.
    assert tried[-1]["error_at"] >= tried[-1]["writes"]
    assert all(one["starts"] <= 2 for one in tried)
