"""Increments to a count: "+5" after "+5" is 10. Pure.

Rule: a message is counted once. Its number says whether it was: one seen before is a repetition, one not seen that is
lower is late and counts, a fall by more than repetitions reach back is a counter that began anew. Without a number
nothing tells, so what is added up then is kept apart and not believed. Numbers left out are increments lost: counted
as missed, never made up for.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from enum import StrEnum

REACH = 1000
"""How far back a repeated or late message may come from: what a broker keeps waiting for one client, commonly."""


class Told(StrEnum):
    """What a message's number said."""

    NEXT = "next"
    LATE = "late"
    ANEW = "anew"
    REPEATED = "repeated"


@dataclass(slots=True)
class RunningCount:
    """total: the sum so far. highest: number of the newest message, None before the first. at_ms: of the last count.

    missed: numbers that were left out so far and not seen since
    """

    total: float = 0.0
    highest: int | None = None
    at_ms: int = 0
    missed: int = 0
    _seen: set[int] = field(default_factory=set)
    _order: deque[int] = field(default_factory=deque)
    _floor: int = 0
    _unsure: bool = False

    def number(self, sequence: int, *, began_later: bool) -> Told:
        """Take note of a message's number. Whoever is not told REPEATED adds what it says, by `add`.

        began_later: whether the message's own time is after the last count's, so that a lower number is no repetition
        """
        highest = self.highest
        if highest is None:
            # What came before is not known to us, and no message from then can be told from a repetition.
            self._begin(sequence)
            return Told.REPEATED if self._unsure else Told.NEXT
        if sequence > highest:
            self.missed += sequence - highest - 1
            self.highest = sequence
            self._note(sequence)
            return Told.NEXT
        if highest - sequence > REACH or (began_later and sequence not in self._seen):
            self._begin(sequence)
            return Told.ANEW
        if sequence in self._seen or sequence < self._floor:
            return Told.REPEATED
        self.missed = max(0, self.missed - 1)
        self._note(sequence)
        return Told.LATE

    def add(self, increment: float, time_ms: int) -> int:
        """Count it; the instant at which the new total holds, always after the last one's."""
        self.total += increment
        self.at_ms = max(time_ms, self.at_ms + 1)
        return self.at_ms

    def go_on_from(self, total: float, highest: int | None, at_ms: int) -> None:
        """Where the store says that it stood.

        highest: None where the number of its last message is not known; the next may then be that one once more, and
        is not counted
        """
        self.total, self.at_ms, self._unsure = total, at_ms, highest is None
        if highest is not None:
            self._begin(highest)

    def _begin(self, sequence: int) -> None:
        self._seen.clear()
        self._order.clear()
        self.highest = self._floor = sequence
        self._note(sequence)

    def _note(self, sequence: int) -> None:
        self._seen.add(sequence)
        self._order.append(sequence)
        if len(self._order) > 2 * REACH:
            gone = self._order.popleft()
            self._seen.discard(gone)
            self._floor = max(self._floor, gone)
