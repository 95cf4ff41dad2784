"""Edges in a text file: one a line, "NANOSECONDS LEVEL", such as "1200000000 0". Blank lines and # comments are free.

Nanoseconds are monotonic, the level is that of the line from then on, 0 or 1; order is the line's. `edges_in` reads a
recording. `FollowedFile` listens to a file that another program goes on writing: what stood in it when we came was
before us, like a pulse while we were off, so that a restart counts nothing twice.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from watcher.collect.pulse.train import Edge

_LINE = re.compile(r"([0-9]{1,19})[ \t]+([01])[ \t]*(?:#.*)?")

AT_ONCE_BYTES = 4_000_000
"""As much as is read in one turn; what is more waits for the next."""


def edge_in(line: str) -> Edge | None:
    """The edge on a line; None where there is none on it. ValueError where it is no line of a recording."""
    stripped = line.strip()
    if not stripped or stripped.startswith("#"):
        return None
    match = _LINE.fullmatch(stripped)
    if match is None:
        raise ValueError(f'{stripped[:60]!r} is not "NANOSECONDS LEVEL", such as "1200000000 0"')
    return Edge(int(match[1]), int(match[2]))


def edges_in(text: str) -> Iterator[Edge]:
    """The edges of a recording. ValueError names the first line that is none."""
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            edge = edge_in(line)
        except ValueError as error:
            raise ValueError(f"line {number}: {error}") from None
        if edge is not None:
            yield edge


class FollowedFile:
    """refused: unreadable lines. A file that became shorter was begun anew and is read from its beginning."""

    def __init__(self, path: str | Path) -> None:
        self.refused: Counter[str] = Counter()
        self._path = Path(path)
        self._position: int | None = None

    def open(self) -> None:
        if self._position is None:
            with self._path.open("rb") as file:
                self._position = max(0, file.seek(0, 2))

    def take(self) -> tuple[Sequence[Edge], int | None]:
        if self._position is None:
            raise OSError("the file was not opened")
        with self._path.open("rb") as file:
            if file.seek(0, 2) < self._position:
                self._position = 0
            file.seek(self._position)
            found = file.read(AT_ONCE_BYTES)
        whole = found[: found.rfind(b"\n") + 1]  # the rest is being written
        self._position += len(whole)
        edges: list[Edge] = []
        for line in whole.decode("ascii", "replace").splitlines():
            try:
                edge = edge_in(line)
            except ValueError:
                self.refused["unreadable"] += 1
                continue
            if edge is not None:
                edges.append(edge)
        return edges, None

    def close(self) -> None:
        self._position = None
