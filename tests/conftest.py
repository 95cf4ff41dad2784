"""Fixtures that every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    """The folder of open datasets and check values that lies beside the project.

    A test that needs it skips where it is absent; in CI its absence is a failure.
    """
    folder = REPO.parent / "shared"
    if not folder.is_dir():
        message = "the open datasets are not here: no folder 'shared' beside the project"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return folder
