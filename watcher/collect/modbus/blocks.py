"""Which registers to ask for together: as few requests as a device will answer, learned from what it refuses.

Rule: an exception 2 or 3 means "not like this", never "dead". The device is asked generously once; what it refuses is
asked in smaller pieces in the same cycle; from then on only requests known to work are sent. A refusal is put to the
test again once a day, or after the device has been away.

Sans-IO: reading is a generator that yields the Span it wants and is sent the words, or Refused. Nothing here knows
whether a socket or a serial line lies between.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import TypeVar

from watcher.collect.modbus.registers import Words
from watcher.domain.instant import DAY_MS

MOST = 125
"""Registers one request may ask for (Modbus application protocol: a reply carries at most 250 bytes)."""

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3


class Table(IntEnum):
    """The two tables of 16-bit registers, by the function code that reads them."""

    HOLDING = 3
    INPUT = 4


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Neighbouring registers: count of them from the zero-based address first."""

    first: int
    count: int
    table: Table = Table.HOLDING

    @property
    def end(self) -> int:
        """The address after the last."""
        return self.first + self.count

    def covers(self, other: Span) -> bool:
        return self.table is other.table and self.first <= other.first and other.end <= self.end


@dataclass(frozen=True, slots=True)
class Refused:
    """The device answered with an exception instead of registers."""

    code: int

    @property
    def not_like_this(self) -> bool:
        """Whether other registers, or fewer, may well be answered."""
        return self.code in (ILLEGAL_ADDRESS, ILLEGAL_VALUE)


class UnansweredError(Exception):
    """A device refused in a way that asking differently does not help."""

    def __init__(self, span: Span, refused: Refused) -> None:
        super().__init__(f"exception {refused.code} at {span.first}, {span.count} registers")
        self.span, self.refused = span, refused


_T = TypeVar("_T")
Asking = Generator[Span, "Words | Refused", _T]
"""A conversation: yields what it wants to read, is sent the answer, returns what came of it."""


def cover(spans: Sequence[Span]) -> Span:
    """The smallest span that covers all of them."""
    first = min(span.first for span in spans)
    return Span(first, max(span.end for span in spans) - first, spans[0].table)


class Blocks:
    """Reads a fixed set of spans, each of which must come whole in one request.

    most: registers one request may ask for, where the device is known to answer no more
    requests: what is sent each cycle, all of it known to work; empty before the first cycle
    missing: wanted spans the device refuses even when asked for nothing else
    """

    def __init__(self, wanted: Iterable[Span], most: int = MOST) -> None:
        self.wanted, self.most = tuple(sorted(set(wanted))), min(most, MOST)
        if any(not 0 < span.count <= self.most for span in self.wanted):
            raise ValueError(f"a request reads 1 to {self.most} registers")
        self.requests: tuple[Span, ...] = ()
        self.missing: frozenset[Span] = frozenset()
        self.refusals = 0
        self._learned_ms: int | None = None

    def read(self, now_ms: int) -> Asking[list[int]]:
        """One cycle: the words of all requests, end to end (see place).

        Where the device refuses everything nothing is learned and the list is empty. UnansweredError: for an exception
        other than 2 and 3.
        """
        if self._learned_ms is None or (self.refusals and now_ms - self._learned_ms >= DAY_MS):
            return (yield from self._learn(now_ms))
        words: list[int] = []
        for span in self.requests:
            answer = yield span
            if isinstance(answer, Refused):
                if not answer.not_like_this:
                    raise UnansweredError(span, answer)
                return (yield from self._learn(now_ms))  # what used to work does not: the device has changed
            words += answer
        return words

    def retest(self) -> None:
        """Put the refusals to the test again with the next cycle: the device may have restarted."""
        if self.refusals:
            self._learned_ms = None

    def place(self, span: Span) -> int | None:
        """Where the words of a span begin in what read() returns; None where no request holds all of it."""
        start = 0
        for request in self.requests:
            if request.covers(span):
                return start + span.first - request.first
            start += request.count
        return None

    def _learn(self, now_ms: int) -> Asking[list[int]]:
        requests: list[Span] = []
        missing: list[Span] = []
        words: list[int] = []
        refusals, most = 0, self.most
        for table in Table:
            rest = [span for span in self.wanted if span.table is table]
            while rest:
                found, most, refused = yield from _longest(rest, most)
                refusals += refused
                if found is None:
                    missing.append(rest.pop(0))
                    continue
                request, answer = found
                requests.append(request)
                words += answer
                rest = [span for span in rest if not request.covers(span)]
        if requests:
            self.requests, self.missing = tuple(requests), frozenset(missing)
            self.refusals, self._learned_ms = refusals, now_ms
        return words


_Found = tuple[tuple[Span, Words] | None, int, int]


def _longest(wanted: Sequence[Span], most: int) -> Asking[_Found]:
    """Find by bisection the longest request from the first wanted span on that the device answers.

    Returns that request with its answer (None where even the first span alone is refused), the most registers a
    request may have as far as is known now, and the number of refusals.
    """
    first = wanted[0]
    ends = sorted({span.end for span in wanted if first.end <= span.end <= first.first + most} | {first.end})
    works, fails = -1, len(ends)  # indices into ends
    ask = fails - 1
    found: tuple[Span, Words] | None = None
    refusals, shorter = 0, most
    while works + 1 < fails:
        span = replace(first, count=ends[ask] - first.first)
        answer = yield span
        if isinstance(answer, Refused):
            if not answer.not_like_this:
                raise UnansweredError(span, answer)
            if answer.code == ILLEGAL_VALUE:
                shorter = span.count - 1
            refusals += 1
            fails = ask
        else:
            works, found = ask, (span, answer)
        ask = (works + fails) // 2
    # Where not even the shortest was answered it was not for the length: some devices say 3 to a bad address.
    return found, shorter if found else most, refusals
