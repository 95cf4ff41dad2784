"""Edges in, pulses out. Pure.

Rule: the line changes when the other level was held for `width`; interruptions of it, together shorter than `bounce`,
are its own bouncing, and longer ones make it no change at all. A width is tested, never a dead time, which would lose
good pulses. A pulse is active from one change to the next and counts once, when it is over: a light that stays on says
that nothing is generated. Where the level flickers and hardly ever holds, the sensor is flooded with light, and what
looks like a pulse is none. The result depends on the edges and their times alone, not on how they are handed over.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

MS = 1_000_000  # nanoseconds

WIDTH_MS = 30.0
"""A pulse and a pause last at least so long (IEC 62053-31, 4.1.3.3)."""

BOUNCE_MS = 5.0
"""A transition, its bouncing included, is shorter (IEC 62053-31, 4.1.3.4)."""

STEADY_NS = 10_000 * MS
"""No pulse is so long: outputs can be set to 500 ms at most (makers' manuals); a light without load stays on."""

MARGIN = 1.25
"""By how much more than its rated power a plant may seem to give between two pulses (no source; our choice)."""

FLOOD_NS = 10_000 * MS
FLOOD_SHORTS = 20
FLOOD_SHORTS_A_PULSE = 3
"""A stretch of FLOOD_NS with so many flickers, and so many for each pulse, is no lamp's (our choice). The bouncing of
a contact belongs to its pulses and is no flicker."""

ANEW_NS = 1000 * MS
"""Time that falls back by more is another time, not an edge that came late."""


class Edge(NamedTuple):
    """at_ns: monotonic. level: of the line after it, 0 or 1."""

    at_ns: int
    level: int


@dataclass(frozen=True, slots=True)
class Timing:
    """width_ns: least length of a pulse, and of the pause after it. bounce_ns: of all interruptions of either.

    least_apart_ns: from one pulse to the next at rated power with a margin; 0 where the rating is not known
    """

    width_ns: int = round(WIDTH_MS * MS)
    bounce_ns: int = round(BOUNCE_MS * MS)
    least_apart_ns: int = 0

    @classmethod
    def of(cls, width_ms: float, pulses_per_kwh: float | None, rated_w: float | None) -> Timing:
        """Pulses come 3.6e6 / (pulses_per_kwh * power) seconds apart."""
        apart_ns = 3.6e15 / (pulses_per_kwh * rated_w * MARGIN) if pulses_per_kwh and rated_w else 0.0
        # A light may flash for a few milliseconds only; then what may be its bouncing is shorter as well.
        bounce_ms = min(BOUNCE_MS, width_ms * BOUNCE_MS / WIDTH_MS)
        return cls(round(width_ms * MS), round(bounce_ms * MS), round(apart_ns))


class PulseTrain:
    """One line.

    count: pulses so far. too_fast: those of them that came sooner than rated power allows
    refused: what was no pulse. short: active for a moment; steady: a light that stayed on; flooded: what looked like a
        pulse in a flood; late: edges out of order; missing: an edge that must have been between two others
    """

    def __init__(self, timing: Timing | None = None) -> None:
        self.count = self.too_fast = 0
        self.refused: Counter[str] = Counter()
        self.flooded = False
        self._timing = timing if timing is not None else Timing()
        self._forget()

    def _forget(self) -> None:
        self._now = self._since = 0
        self._level: bool | None = None
        self._held = False
        self._stretch: int | None = None  # where the level that is not held began
        self._against = 0  # how long it was interrupted
        self._began: int | None = None  # of the pulse under way, None where nobody saw it begin
        self._last: int | None = None
        self._window = self._shorts = self._pulses = 0
        self.flooded = False

    def edge(self, at_ns: int, active: bool) -> None:
        """The line is active, or no longer, from at_ns on."""
        if self._level is not None and at_ns < self._now:
            if self._now - at_ns > ANEW_NS:
                self._forget()
            else:
                self.refused["late"] += 1
                at_ns = self._now
        if self._level is None:
            # Before its first edge it was the other way round; a pulse under way then was perhaps counted by another.
            self._now, self._window = at_ns, at_ns // FLOOD_NS
            self._held = not active
        self.advance(at_ns)
        if active == self._level:
            self.refused["missing"] += 1
            return
        self._level, self._since = active, at_ns
        if active != self._held and self._stretch is None:
            self._stretch, self._against = at_ns, 0

    def advance(self, at_ns: int) -> None:
        """No edge came before at_ns that has not been told."""
        if self._level is None or at_ns < self._now:
            return
        if self._stretch is not None:
            if self._level != self._held:
                changed = max(self._stretch + self._timing.width_ns, self._since)
                if at_ns >= changed:
                    self._change(self._stretch, changed)
            else:
                left = self._timing.bounce_ns - self._against
                self._against += at_ns - self._now
                if self._against >= self._timing.bounce_ns:
                    self._turn_to(self._now + left)
                    self._stretch = None
                    self._shorts += 1
                    if not self._held:
                        self.refused["short"] += 1
        self._turn_to(at_ns)
        self._now = at_ns

    def _change(self, from_ns: int, known_ns: int) -> None:
        self._held, self._stretch = not self._held, None
        if self._held:
            self._began = from_ns
        elif self._began is not None:
            began, self._began = self._began, None
            if from_ns - began > STEADY_NS:
                self.refused["steady"] += 1
            else:
                self._turn_to(known_ns)
                self._pulse(began)

    def _pulse(self, began: int) -> None:
        self._pulses += 1
        if self.flooded:
            self.refused["flooded"] += 1
            self._last = None
            return
        self.count += 1
        if self._last is not None and began - self._last < self._timing.least_apart_ns:
            self.too_fast += 1
        self._last = began

    def _turn_to(self, at_ns: int) -> None:
        """Judge the stretch of FLOOD_NS that is over."""
        window = at_ns // FLOOD_NS
        if window == self._window:
            return
        ragged = self._shorts >= FLOOD_SHORTS and self._shorts > FLOOD_SHORTS_A_PULSE * self._pulses
        self.flooded = ragged and window == self._window + 1
        self._window, self._shorts, self._pulses = window, 0, 0
