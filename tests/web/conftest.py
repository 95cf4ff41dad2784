"""A folder with two homes for the pages to be about."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.web.made_pages import Folder, make_folder


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return make_folder(tmp_path / "watcher")
