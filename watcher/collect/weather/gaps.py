"""Which periods of a weather channel are stored, and which readings of an answer are due now. Pure.

Rule: a period is written once; the first value stays, whatever a service says of it later. A nowcast and an analysis
are written when their period is over. A forecast is written when its period begins, at most one period ahead of
itself, so that what it was when it counted can be told from a better one that came after; a forecast for a period
missed is written late. A period without a global irradiance is not written at all: it may still come.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from watcher.domain.reading import Reading


class Gaps:
    """period_ms: length of a period. reach_ms: how far back a missing one is still asked for. begin_ms: not before

    ahead: whether a period is due when it begins. ends: of the periods that are stored already, any order
    """

    def __init__(self, period_ms: int, reach_ms: int, begin_ms: int, ahead: bool, ends: Iterable[int] = ()) -> None:
        self._period_ms, self._reach_ms, self._ahead = period_ms, reach_ms, ahead
        self._through_ms = begin_ms // period_ms * period_ms
        self._ends = set(ends)

    def missing_from(self, now_ms: int) -> int:
        """The start of the earliest period not stored; that of the coming one where none is missing."""
        oldest_ms = (now_ms - self._reach_ms) // self._period_ms * self._period_ms
        self._through_ms = max(self._through_ms, oldest_ms)
        while self._through_ms + self._period_ms in self._ends:
            self._through_ms += self._period_ms
        self._ends = {end_ms for end_ms in self._ends if end_ms > self._through_ms}
        return self._through_ms

    def due(self, readings: Sequence[Reading], now_ms: int) -> list[Reading]:
        """The readings of the periods that are due and not stored; they count as stored from now on."""
        by_ms = now_ms + self._period_ms if self._ahead else now_ms
        due = {
            reading.time_ms
            for reading in readings
            if reading.channel.endswith(".ghi") and self._through_ms < reading.time_ms <= by_ms
        } - self._ends
        self._ends |= due
        return [reading for reading in readings if reading.time_ms in due]
