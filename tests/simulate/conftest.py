"""The demo's home, and worlds made from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

import watcher.simulate
from watcher.domain.instant import from_ms, parse_iso
from watcher.simulate.faults import Fault
from watcher.simulate.scenario import Scenario
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.sky import DayType
from watcher.simulate.world import World


@pytest.fixture(scope="session")
def demo_path() -> Path:
    return Path(watcher.simulate.__file__).parent / "scenarios" / "demo.toml"


@pytest.fixture(scope="session")
def demo(demo_path: Path) -> Scenario:
    return parse_scenario(demo_path.read_text(encoding="utf-8"), "demo.toml")


@pytest.fixture(scope="session")
def make_world(demo: Scenario) -> Callable[..., World]:
    """The demo's home with other faults (none unless given), seed, start, facts, or ten days of one kind of sky."""

    def make(
        *faults: Fault,
        seed: int = 1,
        start: str = "2026-06-08T00:00Z",
        sky: DayType = DayType.CLEAR,
        **facts: Any,
    ) -> World:
        start_ms = parse_iso(start)
        days = {from_ms(start_ms).date() + timedelta(days=n): sky for n in range(10)}
        return World(seed, start_ms, replace(demo, faults=faults, days=days, **facts))

    return make
