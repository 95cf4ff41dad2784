"""Recordings of edges, and a file that another program goes on writing."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.collect.pulse.recorded import FollowedFile, edges_in
from watcher.collect.pulse.train import Edge


def test_a_recording_is_read() -> None:
    text = "# from a bench\n\n0 0\n2000000 1\t# let go\n  30000000   0\n"
    assert list(edges_in(text)) == [Edge(0, 0), Edge(2_000_000, 1), Edge(30_000_000, 0)]


@pytest.mark.parametrize("line", ["1.5 0", "100 2", "100", "-5 0", "100:0", "0 0 0", "nan 1"])
def test_a_line_that_is_none_is_named(line: str) -> None:
    with pytest.raises(ValueError, match=r"line 2: .* is not"):
        list(edges_in(f"0 0\n{line}\n"))


def test_what_stood_in_the_file_when_we_came_was_before_us(tmp_path: Path) -> None:
    path = tmp_path / "edges.txt"
    path.write_text("0 0\n50 1\n")
    line = FollowedFile(path)
    line.open()
    assert line.take() == ([], None)
    with path.open("a") as file:
        file.write("100 0\n15")
        file.flush()
        assert line.take() == ([Edge(100, 0)], None)
        file.write("0 1\nrubbish\n")
        file.flush()
        assert line.take() == ([Edge(150, 1)], None)
    assert line.refused == {"unreadable": 1}
    path.write_text("7 0\n")  # begun anew
    assert line.take() == ([Edge(7, 0)], None)


def test_a_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        FollowedFile(tmp_path / "none.txt").open()
