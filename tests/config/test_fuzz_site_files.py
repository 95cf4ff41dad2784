"""A short cut of the fuzz run of site files; the long one is `python -m tests.config.fuzz_site_files`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.config.fuzz_site_files import SECRETS, WATCHERS, problems_of_watcher, run


def test_spoilt_files_give_a_record_or_problems_with_their_place_and_nothing_else() -> None:
    counted = run(seed=20260621, count=1500, checked=150)
    assert counted["site files"] + counted["not even text"] == 1500
    # Both ways out are put to the test, or the run would show nothing.
    assert counted["records"] > 150
    assert counted["refused"] > 150
    assert counted["not even text"] > 30
    assert counted["watcher files read"] > 10
    assert counted["watcher files refused"] > 10


@pytest.mark.parametrize("text", WATCHERS)
def test_the_watcher_files_that_are_spoilt_are_whole_before(tmp_path: Path, text: str) -> None:
    (tmp_path / "watcher.toml").write_text(text, encoding="utf-8")
    for name in ("sites", "devices", "topics"):
        (tmp_path / name).mkdir()
    assert problems_of_watcher(tmp_path / "watcher.toml", dict.fromkeys(SECRETS, "hush")) == ()
