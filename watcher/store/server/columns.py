"""What a server gave back, as columns, and the one view of it together with what the spool holds. Pure.

Rule: for one (channel, time) the spool's row counts, for it is exact at once; only a row of which the spool itself
does not know whether it is the first (it is doubtful) gives way to the server's.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from watcher.domain.reading import Samples
from watcher.store.server.lines import Row

CLUSTER_GAP_MS = 6 * 3_600_000
"""Rows further apart than this are asked for apart: what lies between them is not worth reading."""

CLUSTER_SPAN_MS = 7 * 86_400_000


@dataclass(slots=True)
class Column:
    """One channel of one site in order of time. received: when rows came that did not come on time, by their time."""

    time_ms: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    received: dict[int, int] = field(default_factory=dict)

    def extend(self, time_ms: Sequence[int], value: Sequence[float]) -> None:
        self.time_ms.extend(time_ms)
        self.value.extend(value)

    def settle(self) -> None:
        """Put it in order of time, one value a time; of several that a server kept, its last."""
        times = self.time_ms
        if any(later <= earlier for earlier, later in pairwise(times)):
            values = dict(zip(times, self.value, strict=True))
            self.time_ms = sorted(values)
            self.value = [values[time] for time in self.time_ms]


Columns = dict[tuple[str, str], Column]
"""By site and channel."""


class Known(NamedTuple):
    """A row as the server has it."""

    value: float
    received_ms: int | None


def samples(column: Column | None, held: Iterable[Row], received_by_ms: int) -> Samples:
    """One channel as an evaluation may see it; known_ms as in every store."""
    column = column or Column()
    rows = {row.time_ms: row for row in held}
    if not rows and not column.received:
        return Samples(array("q", column.time_ms), array("d", column.value), array("q", column.time_ms))
    seen: dict[int, tuple[float, int | None]] = {
        time: (value, column.received.get(time))
        for time, value in zip(column.time_ms, column.value, strict=True)
        if time not in rows or rows[time].doubtful
    }
    for time, row in rows.items():
        seen.setdefault(time, (row.value, row.received_ms))
    merged = Samples()
    for time in sorted(seen):
        value, received_ms = seen[time]
        if received_ms is None or received_ms < received_by_ms:
            merged.time_ms.append(time)
            merged.value.append(value)
            merged.known_ms.append(time if received_ms is None else received_ms)
    return merged


def clusters(rows: Iterable[Row]) -> Iterator[list[Row]]:
    """Rows in order of time, cut where asking for what lies between would cost more than asking twice."""
    together: list[Row] = []
    for row in sorted(rows, key=lambda row: row.time_ms):
        if together and (
            row.time_ms - together[-1].time_ms > CLUSTER_GAP_MS or row.time_ms - together[0].time_ms > CLUSTER_SPAN_MS
        ):
            yield together
            together = []
        together.append(row)
    if together:
        yield together


def among(columns: Mapping[tuple[str, str], Column], rows: Iterable[Row]) -> dict[int, Known]:
    """Which of the rows are in the columns, and how, by their ids."""
    values: dict[tuple[str, str], dict[int, float]] = {}
    found: dict[int, Known] = {}
    for row in rows:
        column = columns.get((row.site, row.channel))
        if column is None:
            continue
        if (row.site, row.channel) not in values:
            values[row.site, row.channel] = dict(zip(column.time_ms, column.value, strict=True))
        value = values[row.site, row.channel].get(row.time_ms)
        if value is not None:
            found[row.id] = Known(value, column.received.get(row.time_ms))
    return found
