"""Counted pulses put to the dial: a meter's index from its pulses and the readings that people typed from its display.

Rule: the dial is the legal index, pulses only fill in between. What the dial says beyond the pulses since the last
typed reading was missed in the longest stretch in which nobody listened, and is booked over that stretch; without one
it is drift: a fact that is kept, and no energy. A dial below the pulses takes no energy away. Pulses stay as recorded.

A typed reading speaks of the time before it. A window is made of one state of knowledge (a span of points begins anew
where an event is received), so nothing judged earlier has seen it. Before a window's first typed reading the index is
that reading less the pulses up to it; a reading typed before the window says nothing: not all pulses since are in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from watcher.align.counters import Counted, CounterFacts, Restart
from watcher.align.possible import JUMP_FACTOR, ROLLOVER_FACTOR
from watcher.align.segments import FLAGS, Segments, share_mwh
from watcher.align.spread import SPREAD_MS, latest
from watcher.align.typed import Standing, typed_readings
from watcher.align.window import Counter, DialCheck, Floats, Ints, SegmentFlag
from watcher.domain.event import Event

_COUNTED, _DIPPED, _ROLLED, _UNCOUNTED, _ANCHORED = (
    FLAGS.index(flag)
    for flag in (
        SegmentFlag.COUNTED,
        SegmentFlag.DIPPED,
        SegmentFlag.ROLLED_OVER,
        SegmentFlag.UNCOUNTED,
        SegmentFlag.ANCHORED,
    )
)


class Anchor(NamedTuple):
    """at_ms: when someone read the display. dial_mwh: what it showed [mWh]"""

    at_ms: int
    dial_mwh: int


@dataclass(frozen=True, slots=True)
class Dial:
    """What a display can show. modulus_mwh: where it goes round to zero. step_mwh: its smallest step [mWh]"""

    modulus_mwh: int
    step_mwh: int


def anchors_of(events: Sequence[Event], meter: str, dial: Dial) -> tuple[Anchor, ...]:
    """The good typed readings of a meter in order of time. One that its display cannot show is no anchor."""
    return tuple(
        Anchor(reading.at_ms, round(reading.index_wh * 1000))
        for reading in typed_readings(events, meter)
        if reading.standing is Standing.GOOD and 0 <= reading.index_wh < dial.modulus_mwh / 1000
    )


def anchored(
    pulses: Counter,
    counted: Counted,
    facts: CounterFacts,
    anchors: Sequence[Anchor],
    dial: Dial,
    listened_ms: Ints,
    told: Sequence[Restart],
    ends: Ints,
    pace_ms: int,
) -> Counter | None:
    """The meter's index on the grid; None where no typed reading lies among the pulses.

    pulses, counted: its pulses on the grid, and what they came to
    facts: of the pulse counter
    anchors: in order of time
    listened_ms: instants at which someone is known to have listened, ascending
    told: exchanges of the meter: readings on either side of one say nothing of each other
    ends: the window's grid points
    pace_ms: the longest step between two counts that is still watched
    """
    if len(counted.accepted_ms) == 0:
        return None
    anchors = [one for one in anchors if counted.accepted_ms[0] <= one.at_ms <= ends[-1]]
    if not anchors:
        return None
    work = _Anchoring(counted.segments, facts, dial, listened_ms, told, pace_ms)
    dials = [DialCheck(anchors[0].at_ms, anchors[0].dial_mwh / 1000, None)]
    dials += [work.check(before, now) for before, now in pairwise(anchors)]
    index_wh = work.index_wh(counted.accepted_ms, anchors, ends)
    return replace(pulses, segments=work.segments(), index_wh=index_wh, dials=tuple(dials))


class _Anchoring:
    """The pulses' segments as typed readings change them."""

    def __init__(
        self,
        segments: Segments,
        facts: CounterFacts,
        dial: Dial,
        listened_ms: Ints,
        told: Sequence[Restart],
        pace_ms: int,
    ) -> None:
        self.begin, self.end, self.mwh, self.flag = segments.start_ms, segments.end_ms, segments.mwh, segments.flag
        self.mwh, self.flag = self.mwh.copy(), self.flag.copy()
        self.facts, self.dial, self.listened_ms, self.told = facts, dial, listened_ms, told
        self.long = np.flatnonzero(self.end - self.begin > max(pace_ms, SPREAD_MS)).tolist()
        self.pace_ms = max(pace_ms, SPREAD_MS)

    def segments(self) -> Segments:
        return Segments(self.begin, self.end, self.mwh, self.flag)

    def check(self, before: Anchor, now: Anchor) -> DialCheck:
        """Hold the pulses between two typed readings against the dial, and book what they missed."""
        index_wh = now.dial_mwh / 1000
        if any(before.at_ms < restart.at_ms <= now.at_ms for restart in self.told):
            return DialCheck(now.at_ms, index_wh, None)
        drift_mwh = self._gained(before, now) - (self._total(now.at_ms) - self._total(before.at_ms))
        # Pulses within the steps in which the dial was read may have come before or after it.
        doubt_mwh = self.dial.step_mwh + self._across(before.at_ms) + self._across(now.at_ms)
        place = self._unheard(before.at_ms, now.at_ms, drift_mwh) if drift_mwh > doubt_mwh else None
        if place is not None:
            self.mwh[place] = max(0, int(self.mwh[place])) + drift_mwh
            self.flag[place] = _UNCOUNTED
        return DialCheck(now.at_ms, index_wh, drift_mwh / 1000, place is not None)

    def index_wh(self, accepted_ms: Ints, anchors: Sequence[Anchor], ends: Ints) -> Floats:
        """The index at each grid point; segments across which it was put right or went round are marked."""
        around = self.dial.modulus_mwh
        at_ms = np.array([one.at_ms for one in anchors], dtype=np.int64)
        offsets: list[int] = []
        for one in anchors:
            offset = one.dial_mwh - self._total(one.at_ms)
            if offsets:
                offset += around * round((offsets[-1] - offset) / around)  # gone round since, not put back
                if offset != offsets[-1]:
                    self._mark(one.at_ms)
            offsets.append(offset)
        offset_mwh = np.array(offsets, dtype=np.int64)

        def shown(instants: Ints) -> Ints:
            which = np.maximum(np.searchsorted(at_ms, instants, side="right") - 1, 0)
            return np.asarray(self._totals()[np.searchsorted(self.end, instants, side="right")] + offset_mwh[which])

        over = (shown(self.begin) // around != shown(self.end) // around) & (self.flag == _COUNTED)
        self.flag[over] = _ROLLED
        times = np.concatenate([accepted_ms, at_ms])
        index_mwh = np.concatenate([shown(accepted_ms) % around, [one.dial_mwh for one in anchors]])
        order = np.argsort(times, kind="stable")  # the dial after a reading of the same instant
        return latest(times[order], index_mwh[order] / 1000, ends, np.nan)

    def _totals(self) -> Ints:
        """Energy of the first 0, 1, 2... segments. [mWh]"""
        return np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(np.maximum(self.mwh, 0))])

    def _total(self, at_ms: int) -> int:
        """What was counted by an instant; within a step too long to be spread, what was counted before it. [mWh]"""
        place = int(np.searchsorted(self.end, at_ms, side="right"))
        total = int(np.maximum(self.mwh[:place], 0).sum())
        if place == len(self.end) or not self.begin[place] < at_ms or self.mwh[place] <= 0:
            return total
        length_ms = self.end[place] - self.begin[place]
        if length_ms > SPREAD_MS:
            return total
        return total + int(share_mwh(self.mwh[place], at_ms - self.begin[place], length_ms))

    def _across(self, at_ms: int) -> int:
        """Energy of the step that an instant lies inside. [mWh]"""
        place = int(np.searchsorted(self.end, at_ms, side="right"))
        inside = place < len(self.end) and self.begin[place] < at_ms
        return max(0, int(self.mwh[place])) if inside else 0

    def _gained(self, before: Anchor, now: Anchor) -> int:
        """What the dial moved; a fall is a roll-over only where the plant could have made that much. [mWh]"""
        gained = now.dial_mwh - before.dial_mwh
        if gained >= 0 or self.facts.capacity_w is None:
            return gained
        round_mwh = gained + self.dial.modulus_mwh
        return round_mwh if round_mwh <= self._possible(now.at_ms - before.at_ms, ROLLOVER_FACTOR) else gained

    def _possible(self, elapsed_ms: int, factor: float) -> int:
        return int(self.facts.possible_mwh(np.asarray(elapsed_ms), factor, self.dial.step_mwh / 1000))

    def _unheard(self, after_ms: int, until_ms: int, missed_mwh: int) -> int | None:
        """The segment with the longest stretch in which nobody listened; None where it cannot hold what is missed."""
        longest_ms, found = self.pace_ms, None
        for place in self.long:
            begin_ms, end_ms = int(self.begin[place]), int(self.end[place])
            if begin_ms < after_ms or end_ms > until_ms:
                continue
            first, last = np.searchsorted(self.listened_ms, [begin_ms, end_ms])
            stretch_ms = int(np.diff(self.listened_ms[first:last], prepend=begin_ms, append=end_ms).max())
            if stretch_ms > longest_ms:
                longest_ms, found = stretch_ms, place
        if found is None or missed_mwh + max(0, int(self.mwh[found])) > self._possible(
            int(self.end[found] - self.begin[found]), JUMP_FACTOR
        ):
            return None
        return found

    def _mark(self, at_ms: int) -> None:
        """The segment across which the index was put right cannot be had from the index."""
        place = int(np.searchsorted(self.end, at_ms))
        if place < len(self.end) and self.begin[place] < at_ms and self.flag[place] in (_COUNTED, _DIPPED):
            self.flag[place] = _ANCHORED
