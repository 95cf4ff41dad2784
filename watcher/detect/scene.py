"""What a detector is shown, what it answers, and the few vector idioms they share.

Rule: a detector keeps no memory and looks only backwards. Its answer at a grid point depends on nothing but the
window up to that point, so judging one point or a year at once gives the same.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from watcher.align.window import Bools, Floats, Ints, Window
from watcher.domain.day import DayFigure, Past
from watcher.domain.event import Event
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS
from watcher.domain.site import Site, Storage
from watcher.expect.expectation import Expectation, Expected
from watcher.settle import Settlements

UNKNOWN, OK, FAULT = 0, 1, 2
Small = npt.NDArray[np.int8]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Judgement:
    """One subject judged at every point of the window.

    verdict: UNKNOWN, OK or FAULT per point
    code, codes: per point an index into codes; a code names the reason
    cause, cause_sets: per point an index into cause_sets
    observed, expected, unit: the two numbers behind the verdict; NaN where there is none
    onset_ms, onset_low_ms, onset_high_ms: at FAULT points, when the fault seems to have begun
    loss_mwh: energy lost in the point's interval, whole numbers, 0 except at FAULT points
    arrears_mwh: energy lost from the onset up to the interval before, at FAULT points
    loss_share: relative half-width of the loss's 90 % interval, the same for all points or by point
    lost_mwh: at FAULT points everything lost since the onset, as far as known; None: what was told adds up
    evidence: for one point, the few numbers a mail shows
    units: how many units of evidence (the policy's unit) the point's verdict is worth; None: one each
    withdrawn_from_ms: at an OK point, the instant since which better knowledge finds nothing wrong where something
        was said before; 0 elsewhere, None: never
    fault_known_ms: per interval, since when it is known that the fault stood in it, however late what that rests on
        came; 0 where it did not, None: the verdicts say it
    figures: what a day detector keeps of each civil day of the window, whenever it settled
    """

    finding: Finding
    subject: str
    verdict: Small
    code: Small
    codes: tuple[str, ...]
    cause: Small
    cause_sets: tuple[tuple[str, ...], ...]
    observed: Floats
    expected: Floats
    unit: str
    onset_ms: Ints
    onset_low_ms: Ints
    onset_high_ms: Ints
    loss_mwh: Floats
    arrears_mwh: Floats
    loss_share: float | Floats
    evidence: Callable[[int], Mapping[str, str | float]]
    units: Ints | None = None
    withdrawn_from_ms: Ints | None = None
    fault_known_ms: Ints | None = None
    figures: Sequence[DayFigure] = ()
    lost_mwh: Floats | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """The window with its expectation, and what has been judged before in the registry's order.

    events: what was said about the site so far. settling: when its civil days settle, and settle again
    past: what day detectors kept of days that had settled before the UTC day that is judged began
    asked_from: the first point whose verdict is asked for; who judges whole days may leave those before it unknown,
        for what it said of them stands in `past`
    shared: what one detector has reckoned of this window and others need as well; it only saves time (`once`)
    """

    site: Site
    window: Window
    expected: Expected
    limits: Mapping[Finding, Mapping[str, float]]
    judged: Mapping[tuple[Finding, str], Judgement] = field(default_factory=dict)
    events: Sequence[Event] = ()
    settling: Settlements = field(default_factory=dict)
    past: Past = field(default_factory=dict)
    asked_from: int = 0
    shared: dict[Hashable, object] = field(default_factory=dict)

    def once(self, key: Hashable, reckon: Callable[[], T]) -> T:
        """What is reckoned from window, site and limits alone, once for all who ask. key: which reckoning, of what"""
        if key not in self.shared:
            self.shared[key] = reckon()
        return self.shared[key]  # type: ignore[return-value]

    def limit(self, finding: Finding, name: str) -> float:
        return self.limits[finding][name]


class Detector(Protocol):
    """One file, one line in the registry; examined by the conformance kit."""

    name: Finding

    def subjects(self, site: Site) -> Sequence[str]: ...

    def judge(self, scene: Scene, subject: str) -> Judgement: ...


def unknown(scene: Scene, finding: Finding, subject: str, code: str) -> Judgement:
    """Nothing can be said at any point, for one reason."""
    n = scene.window.points
    zero, nan = np.zeros(n, dtype=np.int64), np.full(n, np.nan)
    none = np.zeros(n, dtype=np.int8)
    return Judgement(
        finding, subject, none, none, (code,), none, ((),), nan, nan, "",
        zero, zero, zero, np.zeros(n), np.zeros(n), 0.0, lambda _point: {},
    )  # fmt: skip


def last_true(mask: Bools) -> Ints:
    """For each entry the index of the last True at or before it; -1 before the first."""
    where = np.where(mask, np.arange(len(mask)), -1)
    return np.maximum.accumulate(where)


def previous(mask: Bools) -> Bools:
    """Whether the entry before was True; False at the first."""
    return np.concatenate(([False], mask[:-1]))


def sum_since(values: Floats, reset: Ints) -> Floats:
    """For each entry the sum of values after index reset[i] (exclusive) up to i (inclusive)."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray(total[1:] - total[reset + 1])


def trailing_sum(values: Floats, count: int) -> Floats:
    """Sum of the entry and the count-1 before it."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    first = np.maximum(np.arange(len(values)) - count + 1, 0)
    return np.asarray(total[1:] - total[first])


def usable_through(window: Window, *known_ms: Ints) -> Ints:
    """For each point the last interval whose columns are all known by then; -1 where there is none."""
    ends = window.ends()
    known = np.maximum.reduce([ends, *known_ms])
    ascending = np.maximum.accumulate(known)  # what came out of order holds back what follows it, never the past
    return np.asarray(np.searchsorted(ascending, ends, side="right") - 1)


def as_known(raw: Small, through: Ints, window: Window, wait_ms: int) -> Small:
    """A verdict per point: that of the last interval known by then, UNKNOWN once that lies too far back."""
    ends = window.ends()
    fresh = (through >= 0) & (ends - ends[through] <= wait_ms)
    return np.where(fresh, raw[through], UNKNOWN).astype(np.int8)


def accrued(lost: Floats, through: Ints, fault: Bools) -> Floats:
    """At each FAULT point, what was lost in the intervals that became known since the FAULT point before it."""
    total = np.concatenate(([0.0], np.cumsum(lost)))[through + 1]
    before = np.concatenate(([-1], last_true(fault)[:-1]))
    return np.where(fault, total - np.where(before >= 0, total[before], 0.0), 0.0)


def middle_value(values: Floats) -> float:
    """Their median; NaN where one of them is. numpy's own takes ten times as long for the few values of a day."""
    ordered = np.sort(values)
    half = len(ordered) // 2
    if np.isnan(ordered[-1]):  # sorted last
        return float("nan")
    return float(ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0)


def upper_quartile(values: Sequence[float]) -> float:
    """The value three quarters of them lie under, between two by proportion. For the few values of a few days."""
    ordered = sorted(values)
    place = 0.75 * (len(ordered) - 1)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (ordered[above] - ordered[below]) * (place - below)


def mwh(power_w: Floats) -> Floats:
    """Energy of one interval at a mean power, in whole milliwatt-hours; NaN stays NaN. [mWh]"""
    return np.asarray(np.round(power_w * (GRID_MS / HOUR_MS * 1000.0)))


def heard(window: Window, seen_ms: Ints, every_s: float) -> Bools:
    """Whether a device was heard lately: within two and a half of its polling intervals, at least 15 minutes."""
    patience_ms = max(15 * MINUTE_MS, int(2500 * every_s))
    return np.asarray((seen_ms > 0) & (window.ends() - seen_ms <= patience_ms))


def ac_power(scene: Scene, inverter: str) -> tuple[Floats, Ints] | None:
    """AC power of an inverter on the grid and when it may be used: its own reading, or else its counter's slope."""
    gauge = scene.window.gauge(f"{inverter}.ac_power")
    if gauge is not None:
        return gauge.value, gauge.known_ms
    counter = scene.window.counter(f"{inverter}.ac_energy")
    if counter is not None:
        return counter.energy_mwh / (GRID_MS / HOUR_MS * 1000.0), counter.known_ms
    return None


def pv_power(scene: Scene, inverter: str) -> tuple[Floats, Ints] | None:
    """What the panels of an inverter give, on the grid, and when it may be used; None where that is not told.

    A battery on the DC side shifts AC output in time: there it is what the inputs carry, all of them told.
    """
    if scene.site.inverter(inverter).storage is not Storage.DC:
        return ac_power(scene, inverter)
    gauges = [scene.window.gauge(f"{name}.dc_power") for name in scene.site.inputs_of(inverter)]
    told = [gauge for gauge in gauges if gauge is not None]
    if not told or len(told) < len(gauges):
        return None
    return np.sum([gauge.value for gauge in told], axis=0), np.maximum.reduce([gauge.known_ms for gauge in told])


def pv_expectation(scene: Scene, inverter: str) -> Expectation | None:
    """What is expected where `pv_power` looks."""
    by_subject = scene.expected.by_subject
    if scene.site.inverter(inverter).storage is not Storage.DC:
        return by_subject.get(inverter)
    parts = [by_subject.get(name) for name in scene.site.inputs_of(inverter)]
    found = [part for part in parts if part is not None]
    if not found or len(found) < len(parts):
        return None
    names = ("expected", "low", "high", "bound")
    return Expectation(**{name: np.sum([getattr(part, name) for part in found], axis=0) for name in names})


def counted_mwh(scene: Scene, inverter: str) -> tuple[Floats, Bools] | None:
    """Energy an inverter says it made, booked where it became known, and whether it was heard. [mWh]

    Its lifetime counter where there is one (energy whose previous reading was missed is left out), else the
    integral of its power.
    """
    window = scene.window
    source = scene.site.source_of(inverter)
    every_s = max(source.every_s, source.period_s) if source else 60.0
    counter = window.counter(f"{inverter}.ac_energy")
    if counter is not None:
        return counter.booked_mwh, heard(window, counter.seen_ms, every_s)
    gauge = window.gauge(f"{inverter}.ac_power")
    if gauge is None:
        return None
    energy = np.nan_to_num(mwh(np.maximum(gauge.value, 0.0)))
    at = (gauge.known_ms - window.start_ms) // GRID_MS - 1
    booked = np.zeros(window.points)
    inside = at < window.points
    np.add.at(booked, at[inside], energy[inside])
    present = last_true(~np.isnan(gauge.value) & (gauge.known_ms <= window.ends()))
    seen_ms = np.where(present >= 0, window.ends()[present], 0)
    return booked, heard(window, seen_ms, every_s)
