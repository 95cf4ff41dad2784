"""One day of an inverter that holds its output back: when, at what level, and by what that shows.

Rule: three signs, each of which a fault of the panels does not give. Its own word (throttled) under its rating; output
that stands still while the sun moves on; and panels that stand at a higher voltage while they give less than the light
allows, for less light lowers voltage and current together. What an export limit on file asks for is no fault, and
neither is an inverter off the mains, which follows the house.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.contrast import CURRENT_PER_K, FLOWING, USUAL_STRING_V, WARMER_K
from watcher.detect.presence import GRID_VOLTAGE_V
from watcher.detect.scene import Scene, mwh, pv_expectation, pv_power
from watcher.detect.settled import Settling
from watcher.detect.states import State
from watcher.detect.usual_level import usual_level
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS
from watcher.expect.plant import GAMMA_PER_K, TEMP_AIR_DEFAULT

FEWEST_STEADY = 12
"""Intervals of an hour that must be well lit to say what voltage the panels have at work."""

FEWEST_MEANS = 3
"""Of means over longer periods, so many of one level are flat: two neighbours are one about noon."""

TOP = 3
"""A spike or two are no top."""


@dataclass(frozen=True, slots=True)
class Held:
    """minutes: of the day, held back and by nothing on file. first: interval of the day in which it began

    level_w: of what it then gave, the ninth decile. flat: whether it stood still. asked: minutes held as on file
    peak_w: the day's top
    heat_degc, mains_v: of heat sink and mains while held; NaN where not told
    said, raised: share of it by the inverter's own word, and at higher voltage
    lost_mwh: what the light allowed beyond it, whole. asked_mwh: the same as on file
    """

    peak_w: float
    minutes: float = 0.0
    first: int = 0
    level_w: float = 0.0
    flat: bool = False
    asked: float = 0.0
    heat_degc: float = nan
    mains_v: float = nan
    said: float = 0.0
    raised: float = 0.0
    lost_mwh: float = 0.0
    asked_mwh: float = 0.0


def held_on(scene: Scene, inverter: str, one: Settling, finding: Finding) -> Held | None:
    """What was known of a day at its settling point; None where output was not told."""
    found, expectation = pv_power(scene, inverter), pv_expectation(scene, inverter)
    if found is None or expectation is None:
        return None
    part, limit_w = one.part, scene.site.inverter(inverter).ac_limit_w
    power = np.where(found[1][part] <= one.point_ms, found[0][part], nan)
    if np.count_nonzero(power > 0.0) < TOP:
        return None
    peak_w = float(np.partition(np.where(np.isnan(power), -1.0, power), -TOP)[-TOP])
    works = power > scene.limit(finding, "works_share") * limit_w
    if not works.any():
        return Held(peak_w)
    day = _Day(scene, inverter, one, finding, power, works)
    known = scene.expected.known_ms[part] <= one.point_ms
    due, low, bound = (
        np.where(known, of[part], nan) for of in (expectation.expected, expectation.low, expectation.bound)
    )
    under = works & (power < scene.limit(finding, "under_share") * limit_w)
    under &= ~(day.column("l1.ac_voltage") < GRID_VOLTAGE_V)
    said = under & (day.column("operating_state") == State.THROTTLED)
    if day.has_micros:  # each unit has a limit of its own, which is in the expectation
        said &= due > scene.limit(finding, "could_more") * power
    level_w, still = day.standing_still(under, due, bound)
    lit = due > scene.limit(finding, "lit_share") * limit_w
    free = lit & works & ~said & ~still & (power >= scene.limit(finding, "as_due") * due)
    less = lit & under & (power < low) & (scene.limit(finding, "due_more") * power < due)
    raised = less & day.raised(free, known)
    every = said | still | raised
    asked = every & ~still & day.asked(power)
    held = every & ~asked
    if not every.any():
        return Held(peak_w)
    level = usual_level(scene, inverter, scene.limit(Finding.OUTPUT_LOW, "drift_measured")).factor
    lost = np.nan_to_num(mwh(np.maximum(level * due - power, 0.0)))
    minutes = GRID_MS / 60_000.0
    if not held.any():
        return Held(peak_w, asked=minutes * float(asked.sum()), asked_mwh=float(lost[asked].sum()))
    return Held(
        peak_w=peak_w,
        minutes=minutes * float(held.sum()),
        first=int(np.flatnonzero(held)[0]),
        level_w=level_w if still.any() else float(np.quantile(power[held], 0.9)),
        flat=bool(still.any()) or _is_one_level(power[held], scene.limit(finding, "same_level")),
        asked=minutes * float(asked.sum()),
        heat_degc=_median(day.column("temp_heatsink")[held]),
        mains_v=_median(day.column("l1.ac_voltage")[held]),
        said=float(np.count_nonzero(said & held) / np.count_nonzero(held)),
        raised=float(np.count_nonzero(raised & held) / np.count_nonzero(held)),
        lost_mwh=float(lost[held].sum()),
        asked_mwh=float(lost[asked].sum()),
    )


@dataclass(frozen=True, slots=True)
class _Day:
    """The columns of one inverter on one day, as known at a point."""

    scene: Scene
    inverter: str
    one: Settling
    finding: Finding
    power: Floats
    works: Bools

    def column(self, name: str) -> Floats:
        """A measured value of the inverter; NaN where none was known."""
        return self._of(f"{self.inverter}.{name}")

    def _of(self, channel: str) -> Floats:
        gauge, part = self.scene.window.gauge(channel), self.one.part
        if gauge is None:
            return np.full(part.stop - part.start, nan)
        return np.where(gauge.known_ms[part] <= self.one.point_ms, gauge.value[part], nan)

    @property
    def has_micros(self) -> bool:
        return any(array.unit_limit_w is not None for array in self.scene.site.arrays_of(self.inverter))

    def limit(self, name: str) -> float:
        return self.scene.limit(self.finding, name)

    def standing_still(self, under: Bools, due: Floats, bound: Floats) -> tuple[float, Bools]:
        """The level at which output stood while the sun moved on, and where; a clear noon stands still for an hour."""
        nowhere = np.zeros(len(under), dtype=bool)
        there = np.where(self.works, self.power, -1.0)
        high = float(np.partition(there, -TOP)[-TOP])
        near = under & (np.abs(there - high) <= self.limit("flat_share") * high)
        if self.has_micros or np.count_nonzero(near) < self.limit("flat_minutes") * 60_000 / GRID_MS:
            return 0.0, nowhere
        more = due[near] > self.limit("could_more") * high
        groups = self._groups()
        if groups is not None and len(np.unique(groups[near])) < FEWEST_MEANS:
            return 0.0, nowhere
        sky = _means(bound, groups)[near]
        sky = sky[np.isfinite(sky)]
        if not len(sky) or np.count_nonzero(more) < 0.8 * len(more):
            return 0.0, nowhere
        lowest, highest = np.quantile(sky, (0.05, 0.95)).tolist()
        if highest < self.limit("sky_moves") * lowest:
            return 0.0, nowhere
        return float(np.median(self.power[near])), near

    def _groups(self) -> Ints | None:
        """Which intervals one mean was told for; None for momentary values. An hour's mean stands still for an hour."""
        gauge = self.scene.window.gauge(f"{self.inverter}.ac_power")
        return None if gauge is None or not gauge.label_ms[self.one.part].any() else gauge.label_ms[self.one.part]

    def raised(self, free: Bools, known: Bools) -> Bools:
        """Where panels carry less than their due at more voltage than at work, and none carries less without it.

        free: where the inverter makes what it should. Panels that never do on a day have no voltage at work to be held
        against: that is a loss. An input that carries nothing tells nothing.
        """
        some = np.zeros(len(self.power), dtype=bool)
        every = ~some
        for name in self.scene.site.inputs_of(self.inverter):
            expected = self.scene.expected.by_subject.get(name)
            if expected is None:
                continue
            due = np.where(known, expected.expected[self.one.part], nan)
            volts = self._volts(name, known)
            at_work = volts[free & np.isfinite(volts)]
            if len(at_work) < FEWEST_STEADY:
                continue
            less = np.isfinite(volts) & (self.limit("due_more") * self._of(f"{name}.dc_power") < due)
            higher = volts > float(np.median(at_work)) + self.limit("raised")
            some |= less & higher
            every &= higher | ~less
        return np.asarray(some & every)

    def _volts(self, name: str, known: Bools) -> Floats:
        """By interval ln of the voltage of an input that carries current, over that on file; else NaN.

        Heat is removed as if the light were what the current tells: less light would explain as much and no more.
        """
        arrays = self.scene.site.arrays_at(name)
        first = arrays[0]
        on_file = (first.module.vmp_v or 0.0) * (first.modules_in_series or 0) or USUAL_STRING_V
        rated_a = sum(array.peak_power_w for array in arrays) / on_file
        volts, current = self._of(f"{name}.dc_voltage"), self._of(f"{name}.dc_current")
        air = np.where(known, self.scene.expected.temp_air[self.one.part], nan)
        cell = np.where(np.isnan(air), TEMP_AIR_DEFAULT, air) + WARMER_K * current / rated_a
        gamma = GAMMA_PER_K if first.module.gamma_per_k is None else first.module.gamma_per_k
        cool = volts / (on_file * (1.0 + (gamma - CURRENT_PER_K) * (cell - 25.0)))
        return np.asarray(np.log(np.where((current > FLOWING * rated_a) & (cool > 0.0), cool, nan)))

    def asked(self, power: Floats) -> Bools:
        """Where the export limit on file explains it: something is sent out, up to the limit, or may be."""
        site = self.scene.site
        if site.export_limit_w is None:
            return np.zeros(len(power), dtype=bool)
        export = [-self._of(name) for name in self.scene.window.gauges if name.endswith(".grid_power")]
        share = sum(array.peak_power_w for array in site.arrays_of(self.inverter)) / sum(
            array.peak_power_w for array in site.arrays
        )
        may = power >= self.limit("under_share") * site.export_limit_w * share
        for one in export:
            may = np.where(np.isnan(one), may, one >= site.export_limit_w - self.limit("slack_w"))
        return may


def _means(bound: Floats, groups: Ints | None) -> Floats:
    """The same as means over groups of intervals."""
    if groups is None:
        return bound
    _, place = np.unique(groups, return_inverse=True)
    return np.asarray((np.bincount(place, np.nan_to_num(bound)) / np.bincount(place))[place])


def _is_one_level(power: Floats, share: float) -> bool:
    """Whether it is the same nearly all the time."""
    lowest, highest = np.quantile(power, (0.05, 0.95)).tolist()
    return bool(highest <= (1.0 + share) * lowest)


def _median(column: Floats) -> float:
    there = column[np.isfinite(column)]
    return float(np.median(there)) if len(there) else nan
