"""A site-year's readings as the history that watcher.evaluate asks for, straight from columns.

Rule: the same answers as the store of readings would give (tests/trial compares them), only faster.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.bench.trial.references import Told
from watcher.align.window import Ints
from watcher.domain.instant import DAY_MS, GRACE_MS, ON_TIME_MS
from watcher.domain.reading import Late, Reading, Samples


@dataclass(slots=True)
class InMemory:
    """through_ms: until when everything has come."""

    told: Mapping[str, Told]
    through_ms: int
    _late: list[Late] = field(init=False)
    _is_late: dict[str, bool] = field(init=False)

    def __post_init__(self) -> None:
        self._late, self._is_late = [], {}
        for name, column in self.told.items():
            places = np.flatnonzero(_late(column))
            self._is_late[name] = len(places) > 0
            for received_ms in np.unique(column.known_ms[places]):
                times = column.time_ms[places][column.known_ms[places] == received_ms]
                self._late.append(Late(name, int(received_ms), int(times[0]), int(times[-1])))
        self._late.sort(key=lambda late: (late.received_ms, late.channel))

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> Mapping[str, Samples]:
        found: dict[str, Samples] = {}
        for name, column in self.told.items():
            if channels is not None and name not in channels:
                continue
            first, stop = np.searchsorted(column.time_ms, (start_ms, end_ms))
            part = slice(int(first), int(stop))
            time_ms, value, known_ms = column.time_ms[part], column.value[part], column.time_ms[part]
            if self._is_late[name]:
                late = column.known_ms[part] > time_ms + ON_TIME_MS
                known_ms = np.where(late, column.known_ms[part], time_ms)
                come = ~late | (known_ms < received_by_ms)
                time_ms, value, known_ms = time_ms[come], value[come], known_ms[come]
            if len(time_ms):
                found[name] = Samples(_column("q", time_ms), _column("d", value), _column("q", known_ms))
        return found

    def late(self, site: str, since_ms: int, until_ms: int) -> Sequence[Late]:
        first = bisect_left(self._late, since_ms, key=lambda late: late.received_ms)
        stop = bisect_left(self._late, until_ms, key=lambda late: late.received_ms)
        return self._late[first:stop]

    def received_through(self, site: str) -> int | None:
        return self.through_ms

    def last(self, site: str) -> Mapping[str, Reading]:
        return {
            name: Reading(name, int(column.time_ms[-1]), float(column.value[-1]))
            for name, column in self.told.items()
            if len(column.time_ms)
        }

    def first(self, site: str) -> int | None:
        return min((int(column.time_ms[0]) for column in self.told.values() if len(column.time_ms)), default=None)


def through_ms(begin_ms: int, days: int) -> int:
    """The year's end: what lies beyond would be silence, and silence is judged. Its last day does not settle."""
    return begin_ms + days * DAY_MS + GRACE_MS


def _late(column: Told) -> np.ndarray:
    return np.asarray(column.known_ms > column.time_ms + ON_TIME_MS)


def _column(code: str, values: Ints | np.ndarray) -> array:  # type: ignore[type-arg]
    found = array(code)
    found.frombytes(np.ascontiguousarray(values).tobytes())
    return found
