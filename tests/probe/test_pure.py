"""The judge of a probe knows no machine: it can run wherever the words are."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.commands.running import REPO


@pytest.mark.parametrize("module", ["judge", "page", "map_text", "unmapped", "sunspec_map"])
def test_the_judge_loads_no_wire_no_clock_and_no_model_stack(module: str) -> None:
    program = f"import sys, watcher.probe.{module}; print(*sorted({{name.partition('.')[0] for name in sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", program], cwd=REPO, capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "watcher" in loaded
    assert loaded.isdisjoint({"pymodbus", "asyncio", "socket", "logging", "sqlite3", "numpy", "pandas", "pvlib"})
