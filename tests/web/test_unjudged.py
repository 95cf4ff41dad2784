"""A site of which nothing is known is never shown as well: unknown is not OK, and what was not heard is not zero."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.web.made_pages import NOW, Folder, make_folder
from watcher.clock import SteppedClock
from watcher.domain.instant import HOUR_MS


@pytest.fixture
def unheard(tmp_path: Path) -> Folder:
    """Two homes on file, of which nothing was ever heard or judged."""
    folder = make_folder(tmp_path / "watcher")
    shutil.rmtree(folder.files.folder)
    folder.files.folder.mkdir()
    return folder


def test_a_list_of_sites_never_judged_does_not_say_that_all_is_well(unheard: Folder) -> None:
    with unheard.client() as client:
        assert "nothing is known of 2 of 2 sites" in client.get("/sites").text
        assert "Nothing is known of this site" in client.get("/sites/home-1").text


def test_a_home_never_heard_has_no_power_by_night_either(unheard: Folder) -> None:
    for hours in (0, 12):
        with unheard.client(SteppedClock(NOW + hours * HOUR_MS)) as client:
            text = client.get("/home/home-1").text
        assert "0.00" not in text
        assert "not known" in text
