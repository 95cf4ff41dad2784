"""The file in which the daemon says how it is: whole or not there, and never believed where it makes no sense."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.processes.test_health import NOW, WELL
from watcher.health import (
    DeviceState,
    LoopState,
    MailState,
    SiteState,
    SourceState,
    StoreState,
    WatcherState,
)
from watcher.health_file import HealthFile, NoReport

LIKELY = {
    float: st.floats(0, 1e9),
    int: st.integers(0, 2**53),
    str: st.text(),
}
for kind, strategy in LIKELY.items():
    st.register_type_strategy(kind, strategy)


@given(st.builds(WatcherState))
def test_a_state_comes_back_as_it_went(tmp_path_factory: pytest.TempPathFactory, state: WatcherState) -> None:
    file = HealthFile(tmp_path_factory.getbasetemp())
    file.write(state)
    assert file.read() == state


def test_the_state_before_stands_until_the_new_one_is_whole(tmp_path: Path) -> None:
    file = HealthFile(tmp_path)
    file.write(WELL)
    (tmp_path / "health.new").write_text('{"format": 1, "at_', encoding="utf-8")
    assert file.read() == WELL
    file.write(WELL)
    assert [path.name for path in tmp_path.iterdir()] == ["health.json"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": 2}, "another version"),
        ({"at_ms": "soon"}, "is no int"),
        ({"at_ms": True}, "is no int"),
        ({"unheard_of": 1}, "unknown: unheard_of"),
        ({"loops": {}}, "is no list"),
        ({"loops": [{"name": "x"}]}, "missing"),
        ({"store": []}, "is no dict"),
        ({"sources": [{"name": "x", "site": "y", "refused": {"silent": 1.5}}]}, "is no int"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(tmp_path: Path, change: dict[str, object], said: str) -> None:
    file = HealthFile(tmp_path)
    file.write(WELL)
    file.path.write_text(json.dumps({**json.loads(file.path.read_text()), **change}), encoding="utf-8")
    with pytest.raises(NoReport, match=said):
        file.read()


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"format": 1}', "\x00" * 40])
def test_half_a_file_is_no_report(tmp_path: Path, text: str) -> None:
    file = HealthFile(tmp_path)
    file.path.write_text(text, encoding="utf-8")
    with pytest.raises(NoReport, match="makes no sense"):
        file.read()


def test_no_file_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(NoReport, match="no watcher has run with this folder"):
        HealthFile(tmp_path).read()


def test_every_part_of_the_state_is_written(tmp_path: Path) -> None:
    """A field that is left at its default everywhere could be lost unseen."""
    full = WatcherState(
        NOW, 1, NOW, True, False, 60.0, ("nightly",),
        (LoopState("a", 1.0, 2.0, 3, 4, 5, 6.0, "b", "c", 7),),
        (SourceState("d", "e", {"f": 8}, "g", 9, (DeviceState("h", 10, 11, "i", "j"),)),),
        (SiteState("k", 12),),
        StoreState(13, 14, 15, "l", 16, 17, 18, 19, {"m": 20}),
        MailState(21, 22),
    )  # fmt: skip
    file = HealthFile(tmp_path)
    file.write(full)
    assert file.read() == full
