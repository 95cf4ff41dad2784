"""Counter segments in columns, and the one way to share a segment's energy over time.

Rule: shares are whole milliwatt-hours, cut from a running total, so the parts of a segment always add up to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import overload

import numpy as np

from watcher.align.window import CounterSegment, Ints, SegmentFlag

NO_ENERGY = -1
"""Stands in a column of energies for a step that cannot be energy, which itself is never negative."""

FLAGS = tuple(SegmentFlag)
"""A column of flags holds positions in this."""


class Segments(Sequence[CounterSegment]):
    """Segments in order of time: columns for arithmetic, rows where one is asked for.

    start_ms, end_ms: of the two readings
    mwh: energy between them [mWh]; NO_ENERGY where the step cannot be energy
    flag: position in FLAGS
    """

    __slots__ = ("end_ms", "flag", "mwh", "start_ms")

    def __init__(self, start_ms: Ints, end_ms: Ints, mwh: Ints, flag: Ints) -> None:
        self.start_ms, self.end_ms, self.mwh, self.flag = start_ms, end_ms, mwh, flag

    @classmethod
    def of(cls, rows: Sequence[CounterSegment]) -> Segments:
        """Columns of any row of segments; those that are columns already are handed back."""
        if isinstance(rows, Segments):
            return rows
        energies = [NO_ENERGY if row.wh is None else round(row.wh * 1000) for row in rows]
        columns = ([row.start_ms for row in rows], [row.end_ms for row in rows], energies)
        start_ms, end_ms, mwh = (np.array(column, dtype=np.int64) for column in columns)
        return cls(start_ms, end_ms, mwh, np.array([FLAGS.index(row.flag) for row in rows], dtype=np.int64))

    def __len__(self) -> int:
        return len(self.end_ms)

    @overload
    def __getitem__(self, place: int) -> CounterSegment: ...
    @overload
    def __getitem__(self, place: slice) -> Segments: ...
    def __getitem__(self, place: int | slice) -> CounterSegment | Segments:
        if isinstance(place, slice):
            return Segments(self.start_ms[place], self.end_ms[place], self.mwh[place], self.flag[place])
        mwh = int(self.mwh[place])
        return CounterSegment(
            int(self.start_ms[place]),
            int(self.end_ms[place]),
            None if mwh == NO_ENERGY else mwh / 1000,
            FLAGS[int(self.flag[place])],
        )


def share_mwh(mwh: Ints, passed_ms: Ints, length_ms: Ints) -> Ints:
    """Energy of the first `passed_ms` of segments that are `length_ms` long. [mWh, rounded down]

    Nothing at 0 and everything at length_ms. Taken apart so that products stay far below 2**63: passed times length
    fits for segments of up to a month, and the energy of no register comes near.
    """
    whole, rest = np.divmod(mwh, length_ms)
    return whole * passed_ms + rest * passed_ms // length_ms
