"""The measured sky, or a skip that says what is missing."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.trial.measured_sky import MeasuredSky, measured_sky


@pytest.fixture(scope="session")
def real_sky(shared_folder: Path) -> MeasuredSky:
    found = measured_sky()
    assert not found.invented, f"the datasets in {shared_folder} were not read"
    return found
