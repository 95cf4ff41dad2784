"""Readings, and columns of readings.

Rule: a missing value is no reading: never NaN, never 0. Raw readings are never corrected.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple


class Reading(NamedTuple):
    """One value of one channel of one site.

    channel: see domain/quantity.py
    time_ms: when it was so
    value: in the quantity's unit, finite
    """

    channel: str
    time_ms: int
    value: float


def checked(reading: Reading) -> Reading:
    """The same reading. ValueError for a value that is not finite, which is no measurement."""
    if not math.isfinite(reading.value):
        raise ValueError(f"{reading.channel} at {reading.time_ms}: {reading.value!r} is no measurement")
    return reading


@dataclass(frozen=True, slots=True)
class Samples:
    """Readings of one channel in order of time, as columns (numpy takes them without copying).

    time_ms: when it was so, strictly ascending
    value: in the quantity's unit
    known_ms: since when the store has had the row; equal to time_ms for a row that came on time
    """

    time_ms: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    known_ms: array[int] = field(default_factory=lambda: array("q"))

    def __len__(self) -> int:
        return len(self.time_ms)

    @classmethod
    def of(cls, rows: Iterable[tuple[int, float]]) -> Samples:
        """Samples that came on time, from (time_ms, value) in order of time."""
        samples = cls()
        for time_ms, value in rows:
            samples.time_ms.append(time_ms)
            samples.value.append(value)
            samples.known_ms.append(time_ms)
        return samples


RawWindow = Mapping[str, Samples]
"""Channel name to its samples; a channel without any is absent or empty."""


class Appended(NamedTuple):
    """What became of a batch: rows that were new, already there, or at odds with what was there (kept: the first)."""

    new: int
    same: int
    conflicting: int


class Late(NamedTuple):
    """Rows of one channel that became known long after (or before) their own time, all received at one instant."""

    channel: str
    received_ms: int
    first_ms: int
    last_ms: int
