"""The two sides of a comparison, a meter and what it covers: what each counted between two intervals, and whether that
may be compared.

Rule: a register's energy is what it shows at the end less what it showed at the beginning, gaps in between or not, so
only its ends must be dated. Pulses that nobody listened to are lost, and so is power: those must be heard throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from watcher.align.segments import FLAGS, Segments
from watcher.align.window import Bools, Counter, Gauge, Ints, SegmentFlag, Window
from watcher.detect.meter_question import open_question
from watcher.detect.scene import FAULT, Scene, heard, last_true, mwh
from watcher.domain.instant import GRID_MS, HOUR_MS, local_day
from watcher.domain.site import Meter

_PLAIN = (FLAGS.index(SegmentFlag.COUNTED), FLAGS.index(SegmentFlag.DIPPED))
"""Counting, and misreadings that were taken back. After anything else a difference of registers is no energy."""

EXPLAINERS = ("meter-reversed", "meter-stalled", "meter-night-energy", "values-stuck")
"""Findings that say by themselves why a meter and what it covers differ; judged before it (detect/registry.py)."""

DARK_DEG = -4.0
"""Of the sun's height: nothing is made below it."""

EDGE_MS = HOUR_MS
"""A register seen in the last hour of sun has seen the day: what is made in it belongs to no one's suspicion."""


@dataclass(frozen=True, slots=True)
class Register:
    """pulses: counted by us, so that what was missed is lost"""

    window: Window
    counter: Counter
    every_s: float
    step_mwh: float
    pulses: bool
    segments: Segments = field(init=False)
    broken: Ints = field(init=False)

    def __post_init__(self) -> None:
        segments = Segments.of(self.counter.segments)
        odd = ~np.isin(segments.flag, _PLAIN)
        object.__setattr__(self, "segments", segments)
        object.__setattr__(self, "broken", np.concatenate(([0], np.cumsum(odd))))

    def energy_mwh(self, first: int, stop: int, point_ms: int) -> float | None:
        """Energy of the intervals first..stop-1, as known at a grid point; None where it cannot be told."""
        segments = self.segments
        start_ms, end_ms = (self.window.start_ms + GRID_MS * place for place in (first, stop))
        begin = int(np.searchsorted(segments.end_ms, start_ms, side="right"))
        after = int(np.searchsorted(segments.start_ms, end_ms, side="left"))
        if self.broken[after] > self.broken[begin]:
            return None
        if not (self.is_dated(first) and self.is_dated(stop)):
            return None
        energy = 1000.0 * (self.counter.index_wh[stop - 1] - self.counter.index_wh[first - 1])
        return None if np.isnan(energy) else float(np.round(energy))

    def is_dated(self, place: int) -> bool:
        """Whether next to nothing was counted, unseen, across the beginning of an interval, as over a night."""
        at_ms = self.window.start_ms + GRID_MS * place
        across = int(np.searchsorted(self.segments.end_ms, at_ms, side="right"))
        if across == len(self.segments.end_ms) or self.segments.start_ms[across] >= at_ms:
            return True
        return bool(self.segments.mwh[across] <= self.step_mwh)

    def is_heard(self) -> Bools:
        """Where it was heard."""
        return heard(self.window, self.counter.seen_ms, self.every_s)

    def seen_to_the_end(self, last_sun: int, stop: int) -> bool:
        """Whether it was seen in the last hour of sun, or after it; last_sun: the last interval with any."""
        end_ms = self.window.start_ms + GRID_MS * (last_sun + 1)
        return bool(self.counter.seen_ms[stop - 1] >= end_ms - EDGE_MS)


@dataclass(frozen=True, slots=True)
class Power:
    """Without a register, the integral of power, whichever sign stands for generation on a meter."""

    gauge: Gauge

    def energy_mwh(self, first: int, stop: int, point_ms: int) -> float | None:
        energy = mwh(self.gauge.value[first:stop][self.gauge.known_ms[first:stop] <= point_ms])
        return float(max(np.nansum(np.maximum(energy, 0.0)), np.nansum(np.maximum(-energy, 0.0))))

    def is_heard(self) -> Bools:
        return ~np.isnan(self.gauge.value)


Side = Register | Power


def side_of(scene: Scene, device: str, registers: Sequence[str], step_mwh: float) -> Side | None:
    """The first of these registers that a device has, else its power; None where it has neither.

    An index had from pulses is left out for the pulses: what was typed from the display in between is no counting.
    """
    window, source = scene.window, scene.site.source_of(device)
    every_s = max(source.every_s, source.period_s) if source else 60.0
    for name in registers:
        counter = window.counter(f"{device}.{name}")
        if counter is not None and not counter.dials:
            return Register(window, counter, every_s, step_mwh, name == "pulse_count")
    gauge = window.gauge(f"{device}.ac_power")
    return None if gauge is None else Power(gauge)


@dataclass(frozen=True, slots=True)
class Comparison:
    """sides: the meter's, then those of what it covers. explained: where another finding says why they differ

    unheard_share: of the sunlit intervals, for sides that must be heard throughout
    signs: of what it covers, -1 for what is taken on the way to the meter; none for 1 each
    """

    scene: Scene
    sides: Sequence[Side]
    explained: Bools
    unheard_share: float
    signs: Sequence[int] = ()
    _sunlit: Bools = field(init=False)
    _heard: Bools = field(init=False)
    _last_sun: Ints = field(init=False)

    def __post_init__(self) -> None:
        sunlit = self.scene.expected.sun_elevation_deg > 0.0
        throughout = [side.is_heard() for side in self.sides if not isinstance(side, Register) or side.pulses]
        object.__setattr__(self, "_sunlit", sunlit)
        object.__setattr__(self, "_heard", np.logical_and.reduce(throughout) if throughout else np.ones_like(sunlit))
        object.__setattr__(self, "_last_sun", last_true(sunlit))

    def energies(self, first: int, stop: int, point_ms: int) -> tuple[float, float] | None:
        """By the meter and by what it covers [mWh]; None where either cannot be told."""
        told, *made = (side.energy_mwh(first, stop, point_ms) for side in self.sides)
        if told is None:
            return None
        signs = self.signs or (1,) * len(made)
        shares = [sign * one for sign, one in zip(signs, made, strict=True) if one is not None]
        return (told, sum(shares)) if len(shares) == len(made) else None

    def clean(self, first: int, stop: int) -> bool:
        """Whether a comparison of the intervals first..stop-1 may stand: both ends seen, nothing else explains it."""
        sunlit = self._sunlit[first:stop]
        if bool(self.explained[first:stop].any()):
            return False
        unheard = int((sunlit & ~self._heard[first:stop]).sum())
        if unheard > self.unheard_share * max(1, int(sunlit.sum())):
            return False
        last_sun = int(self._last_sun[stop - 1])
        return last_sun < first or all(
            side.seen_to_the_end(last_sun, stop) for side in self.sides if isinstance(side, Register)
        )

    def places(self, day: date) -> tuple[int, int]:
        """First interval of a civil day's light and the one after its last; 0, 0 where the window holds none of it.

        What a meter counts in the dark is a matter of its own (meter_night_energy.py). Where all is well it stands
        still then, so that energies of days add up as those of whole days would, and a register that was not seen
        about the light's begin or end may be read at that of the day.
        """
        start_ms, end_ms = local_day(day, self.scene.site.zone)
        first = (start_ms - self.scene.window.start_ms) // GRID_MS
        stop = (end_ms - self.scene.window.start_ms) // GRID_MS
        light = np.flatnonzero(self.scene.expected.sun_elevation_deg[max(first, 0) : max(stop, 0)] > DARK_DEG)
        if first < 1 or not len(light):
            return 0, 0
        dawn, dusk = first + int(light[0]), first + int(light[-1]) + 1
        registers = [side for side in self.sides if isinstance(side, Register)]
        return (
            dawn if all(side.is_dated(dawn) for side in registers) else first,
            dusk if all(side.is_dated(dusk) for side in registers) else stop,
        )


def explained_by(scene: Scene, meter: Meter) -> Bools:
    """Where another finding says by itself why the two differ, or where nobody knows which meter it is."""
    found = np.zeros(scene.window.points, dtype=bool)
    for (finding, subject), judgement in scene.judged.items():
        if finding in EXPLAINERS and subject.partition(".")[0] in (meter.id, *meter.covers):
            found |= judgement.verdict == FAULT
    return found | open_question(scene, meter)
