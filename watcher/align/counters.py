"""Counter readings to energy between them.

Rule: never invent energy. A fall is only a fall until the samples after it say what it was: a dip (the old value
comes back), a roll-over (only with a known modulus, and only when the plant could have made that much), or a restart
(the low series grows by itself, or someone said so). Until then nothing is booked; afterwards nothing is changed: what
a sample decides depends on that sample and those before it.

Rises are counted all at once in columns; only falls are taken one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from watcher.align.gauges import instants, values
from watcher.align.possible import FULL_HOURS, JUMP_FACTOR, ROLLOVER_FACTOR
from watcher.align.segments import FLAGS, NO_ENERGY, Segments
from watcher.align.window import Bools, Floats, Ints, SegmentFlag
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS
from watcher.domain.reading import Samples

REFRESH_MS = 15 * MINUTE_MS
"""Some registers are refreshed this seldom, so that a quarter's energy stands between two minute readings."""

OWN_GROWTH_MS = HOUR_MS
"""A low series that has grown for this long is a series of its own."""


class Restart(NamedTuple):
    """Someone said that a new series begins: another serial number, or a meter exchange.

    at_ms: when it happened. known_ms: the first sample at or after this may use it
    """

    at_ms: int
    known_ms: int


@dataclass(frozen=True, slots=True)
class CounterFacts:
    """What is known of a counter and the plant behind it.

    capacity_w: rated power behind it [W]; None where not known, then no rise is too steep and no fall a roll-over
    modulus_wh: where its register goes round to zero [Wh]; None where not known
    step_wh: the smallest step it shows [Wh]
    full_hours: the most a day can hold of hours at full power (align/possible.py)
    wh_per_count: what one count of the register is [Wh]
    low, high: range outside which a register value is no measurement
    """

    capacity_w: float | None = None
    modulus_wh: float | None = None
    step_wh: float = 1.0
    full_hours: float = FULL_HOURS
    wh_per_count: float = 1.0
    low: float = 0.0
    high: float = 1e13

    def possible_mwh(self, elapsed_ms: Ints, factor: float, slack_wh: float) -> Ints:
        """The most energy there can be in a stretch of time. [mWh]"""
        if self.capacity_w is None:
            return np.full(np.shape(elapsed_ms), np.iinfo(np.int64).max)
        days, rest_ms = np.divmod(elapsed_ms, DAY_MS)
        hours = days * self.full_hours + np.minimum(rest_ms / HOUR_MS, self.full_hours)
        return np.floor(1000 * (factor * self.capacity_w * hours + slack_wh)).astype(np.int64)


@dataclass(frozen=True, slots=True)
class Counted:
    """What a counter's samples came to.

    segments: energy between readings, at most one ending at each sample
    accepted_ms, accepted_mwh: readings that were believed and what the register showed [mWh], ascending in time
    seen_ms: times of all samples, believed or not
    moved_ms: times of readings above the one before, returns from a dip to the old value left out
    shown_ms, shown_mwh: readings in range, believed or not, and what the register showed [mWh]
    """

    segments: Segments
    accepted_ms: Ints
    accepted_mwh: Ints
    seen_ms: Ints
    moved_ms: Ints
    shown_ms: Ints
    shown_mwh: Ints


def count(samples: Samples, facts: CounterFacts, restarts: Sequence[Restart] = ()) -> Counted:
    """Fold a counter's samples, in order, into segments; the first sample is the baseline.

    restarts: in order of time
    """
    seen_ms, raw = instants(samples.time_ms).copy(), values(samples.value)
    usable = (raw >= facts.low) & (raw <= facts.high)
    fold = _Fold(seen_ms[usable], raw[usable], facts, restarts)
    fold.run()
    kept, accepted = fold.kept, fold.kept.copy()
    accepted[:1] = True
    return Counted(
        Segments(fold.time[fold.begin[kept]], fold.time[kept], fold.mwh[kept], fold.flag[kept]),
        fold.time[accepted],
        fold.register[accepted],
        seen_ms,
        fold.time[fold.moved],
        fold.time,
        fold.register,
    )


_COUNTED, _DIPPED, _ROLLED, _RESTARTED, _JUMPED = (
    FLAGS.index(flag)
    for flag in (
        SegmentFlag.COUNTED,
        SegmentFlag.DIPPED,
        SegmentFlag.ROLLED_OVER,
        SegmentFlag.RESTARTED,
        SegmentFlag.JUMPED,
    )
)


class _Fold:
    """One pass over the samples. Columns are indexed by the sample a segment ends at.

    begin: sample it starts at. kept: whether it stands. moved: whether the register moved on at that sample
    """

    def __init__(self, time: Ints, raw: Floats, facts: CounterFacts, restarts: Sequence[Restart]) -> None:
        # Whole milliwatt-hours from here on: differences of floats would not add up to the register again.
        self.time, self.register = time, np.rint(raw * (facts.wh_per_count * 1000)).astype(np.int64)
        self.facts, self.restarts = facts, restarts
        size = len(time)
        rise = np.diff(self.register, prepend=self.register[:1])
        self.slack_wh = facts.step_wh + (facts.capacity_w or 0.0) * REFRESH_MS / HOUR_MS
        self.modulus_mwh = round((facts.modulus_wh or 0.0) * 1000)
        steep = rise > facts.possible_mwh(np.diff(time, prepend=time[:1]), JUMP_FACTOR, self.slack_wh)
        self.begin = np.arange(-1, size - 1, dtype=np.int64)
        self.mwh: Ints = np.where(steep, NO_ENERGY, rise)
        self.flag: Ints = np.where(steep, _JUMPED, _COUNTED)
        self.kept: Bools = np.ones(size, dtype=np.bool_)
        self.kept[:1] = False
        self.moved = rise > 0
        self.falls = np.flatnonzero(rise < 0)
        self.rises = np.flatnonzero(self.moved)
        self.jumps = np.flatnonzero(steep)
        marks = np.searchsorted(time, np.array([restart.at_ms for restart in restarts], dtype=np.int64))
        # What was learnt too late for its own sample cannot change what that sample decided.
        at_sample = [int(k) for k, r in zip(marks, restarts, strict=True) if 0 < k < size and r.known_ms <= time[k]]
        self.breaks = np.union1d(self.falls, np.array(at_sample, dtype=np.int64))

    def run(self) -> None:
        done = -1
        for fall in self.breaks.tolist():
            if fall > done:
                done = self._settle(fall)

    def _settle(self, fall: int) -> int:
        """Decide what happened at a fall or an announced restart; returns the sample that decided it."""
        if self.register[fall] >= self.register[fall - 1]:
            self._book(fall, fall - 1, NO_ENERGY, _RESTARTED)
            return fall
        if self._after_spike(fall):
            return fall
        return self._after_fall(fall)

    def _book(self, end: int, begin: int, mwh: int, flag: int) -> None:
        self.begin[end], self.mwh[end], self.flag[end] = begin, mwh, flag

    def _possible(self, mwh: int, begin: int, end: int, factor: float, slack_wh: float) -> bool:
        elapsed = np.asarray(self.time[end] - self.time[begin])
        return 0 <= mwh <= int(self.facts.possible_mwh(elapsed, factor, slack_wh))

    def _told(self, since: int, by: int) -> bool:
        """Whether a restart after sample `since` was known at sample `by`."""
        return any(r.at_ms > self.time[since] and r.known_ms <= self.time[by] for r in self.restarts)

    def _after_spike(self, fall: int) -> bool:
        """A steep rise that is taken back before anything was counted on it was a misreading."""
        place = int(np.searchsorted(self.jumps, fall)) - 1
        if place < 0:
            return False
        jump = int(self.jumps[place])
        before = int(np.searchsorted(self.falls, fall)) - 1
        flat = self.register[jump] == self.register[fall - 1] and (before < 0 or self.falls[before] < jump)
        if not (flat and self.kept[jump] and self.flag[jump] == _JUMPED):
            return False
        old = int(self.begin[jump])
        gained = int(self.register[fall] - self.register[old])
        if self._told(old, fall) or not self._possible(gained, old, fall, JUMP_FACTOR, self.slack_wh):
            return False
        # Time before the fall has been judged already, so what was gained since stands on the last step alone.
        self._book(fall, fall - 1, gained, _DIPPED)
        self.moved[fall] = gained > 0
        return True

    def _after_fall(self, fall: int) -> int:
        """Look forward from a fall to the first sample that says what it was; undecided to the end if none does."""
        size, old, low = len(self.time), fall - 1, fall
        may_roll = True
        while True:
            later = int(np.searchsorted(self.falls, low, side="right"))
            stop = int(self.falls[later]) if later < len(self.falls) else size
            series = self.register[low:stop]  # ascending: the next fall ends it
            if may_roll:
                # Waking devices say 0 for a while; only a reading above it can be the far side of a roll-over.
                over = low + int(np.searchsorted(series, 1))
                if over < stop and self._rolled_over(old, over):
                    self.kept[fall:over] = False
                    self._book(over, old, self._round(old, over), _ROLLED)
                    self.moved[over] = True
                    return over
                # A reading far down that was refused stays refused; a small step back says nothing about the next fall.
                may_roll = over == stop or 2 * self._round(old, over) > self.modulus_mwh
            restarted, grown = self._restart_known(old, low), self._grown(low)
            back = low + int(np.searchsorted(series, self.register[old]))
            end = min(restarted, back, grown)
            if end < stop:
                self.kept[fall:end] = False
                if end == back and end < restarted:
                    gained = int(self.register[end] - self.register[old])
                    self.moved[end] = gained > 0
                    self._book_if_possible(end, old, gained, _DIPPED)
                else:
                    self._book_if_possible(end, low, self._own(fall, low, end), _RESTARTED)
                return end
            if stop == size:
                self.kept[fall:] = False
                return size
            low = stop

    def _book_if_possible(self, end: int, begin: int, gained: int, flag: int) -> None:
        if self._possible(gained, begin, end, JUMP_FACTOR, self.slack_wh):
            self._book(end, begin, gained, flag)
        else:
            self._book(end, begin, NO_ENERGY, _JUMPED)

    def _own(self, fall: int, low: int, end: int) -> int:
        """What a new series has counted since `low`. [mWh]

        Where the series itself fell in between, only what stands above its earlier readings is certain.
        """
        earlier = self.register[fall : low + 1]
        return int(self.register[end] - earlier[earlier <= self.register[end]].max())

    def _grown(self, low: int) -> int:
        """The sample by which the series from `low` has risen twice and lasted an hour."""
        second = int(np.searchsorted(self.rises, low, side="right")) + 1
        if second >= len(self.rises):
            return len(self.time)
        return max(int(self.rises[second]), int(np.searchsorted(self.time, self.time[low] + OWN_GROWTH_MS)))

    def _restart_known(self, old: int, low: int) -> int:
        """The first sample after `low` at which a restart since `old` is known."""
        known = [restart.known_ms for restart in self.restarts if restart.at_ms > self.time[old]]
        return max(low + 1, int(np.searchsorted(self.time, min(known)))) if known else len(self.time)

    def _round(self, old: int, over: int) -> int:
        """What was counted if the register went round between two readings. [mWh]"""
        return self.modulus_mwh - int(self.register[old] - self.register[over])

    def _rolled_over(self, old: int, over: int) -> bool:
        if self.facts.modulus_wh is None or self.facts.capacity_w is None or self._told(old, over):
            return False
        inside = self.register[over] < self.register[old] < self.modulus_mwh
        gained = self._round(old, over)
        return bool(inside) and self._possible(gained, old, over, ROLLOVER_FACTOR, self.facts.step_wh)
