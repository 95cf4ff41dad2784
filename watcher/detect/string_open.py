"""string-open: an input of a working inverter carries no current in daylight, or one of m strings there is gone.

First form (plain strings): current at nothing while the sun lights that plane and the inverter works. Its voltage
tells the cause: near open-circuit the panels are there and nothing is drawn; none at all, nothing arrives; anything
between that wanders is a loose end.
Second form (m equal strings at one input): power at (m-1)/m of what this input usually makes for its sunshine, at
normal voltage; with a sensor on site steady over hours, each input against its own expectation, never against a sibling
that may face another way (case F5). A satellite's or a forecast's hour is too poor for that, or comes too late: there
whole days tell (string_days.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from watcher.align.window import Bools, Floats, Ints, Window
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    Judgement,
    Scene,
    ac_power,
    accrued,
    as_known,
    last_true,
    middle_value,
    mwh,
    sum_since,
    unknown,
    upper_quartile,
    usable_through,
)
from watcher.detect.string_days import walk
from watcher.detect.string_steps import Kind
from watcher.detect.string_verdict import AC_SHARE, Columns, put_days
from watcher.domain.finding import Finding
from watcher.domain.instant import MINUTE_MS, POINTS_A_DAY
from watcher.domain.site import Conversion, Site
from watcher.expect.expectation import Basis

CODES = (
    "string-open.not-lit",
    "string-open.carries-current",
    "string-open.no-current",
    "string-open.one-of-parallel",
)
CAUSES: tuple[tuple[str, ...], ...] = (
    (),
    ("voltage-open-circuit",),
    ("voltage-none",),
    ("voltage-drifting",),
    ("parallel-string",),
)
USUAL_STRING_V = 350.0  # stands in for a size where no module is on file; too vague to tell causes by
LEAST_USUAL, MOST_USUAL = 0.8, 1.2  # an input that usually makes less or more: the site file is wrong, not the string


@dataclass(frozen=True, slots=True)
class _Input:
    """One input on the grid, NaN where not heard."""

    current: Floats
    voltage: Floats
    power: Floats
    peak_w: float
    strings: int
    usual_v: Floats  # NaN where no module is on file and no history yet
    rated_a: float


class StringOpen:
    name = Finding.STRING_OPEN

    def subjects(self, site: Site) -> tuple[str, ...]:
        inputs = dict.fromkeys(array.input for array in site.arrays if array.conversion is Conversion.STRING)
        return tuple(name for name in inputs if "." in name)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        inverter = subject.partition(".")[0]
        expectation = scene.expected.by_subject.get(subject)
        current = scene.window.gauge(f"{subject}.dc_current")
        if expectation is None or current is None:
            return unknown(scene, self.name, subject, "string-open.no-readings")
        window = scene.window
        here = self._input(scene, subject)

        # Dead or not is told without any weather: the sun could light this plane well, and another input proves light.
        lit = scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")
        lit &= expectation.bound > scene.limit(self.name, "lit_share") * here.peak_w
        lit &= self._others_work(scene, subject, inverter)
        nothing = here.current <= scene.limit(self.name, "nothing_share") * here.rated_a
        dead = lit & nothing & ~self._comes_and_goes(scene, subject)
        flows = lit & (here.current > scene.limit(self.name, "flowing_share") * here.rated_a)

        # One of several strings is told by its ratio to what a sensor made expect, or else by whole days.
        by_ratio = here.strings > 1 and bool(scene.site.sensors)
        has_basis = (scene.expected.basis != Basis.NONE) & ~np.isnan(expectation.expected)
        one_gone, all_there, ratio = self._one_of_parallel(here, expectation.expected, has_basis & ~nothing, scene)
        through = usable_through(window, current.known_ms, scene.expected.known_ms)
        wait_ms = int(scene.limit(self.name, "wait_minutes") * MINUTE_MS)
        later = as_known(
            np.select([one_gone, all_there], [FAULT, OK], UNKNOWN).astype(np.int8), through, window, wait_ms
        )

        at_once = usable_through(window, current.known_ms)
        now_dead = as_known(np.where(dead, FAULT, UNKNOWN).astype(np.int8), at_once, window, 0) == FAULT
        now_flows = as_known(np.where(flows, OK, UNKNOWN).astype(np.int8), at_once, window, 0) == OK
        if here.strings > 1:  # current alone can't tell one string from two
            verdict = np.where(now_dead, FAULT, later if by_ratio else UNKNOWN).astype(np.int8)
        else:
            verdict = np.select([now_dead, now_flows], [FAULT, OK], UNKNOWN).astype(np.int8)
        fault = verdict == FAULT
        cause = np.where(now_dead, self._cause_of_none(here, dead), np.where(fault, 4, 0)).astype(np.int8)
        code = np.select([now_dead, fault, verdict == OK], [2, 3, 1], 0).astype(np.int8)

        # The episode, as it was known: a dead input's by what flowed, one of several strings' by its ratio.
        suspicious = dead | (self._fraction_like(ratio, here.strings) if by_ratio else False)
        fine_before = last_true(all_there if by_ratio else flows)
        low_ms, high_ms = _began(window, last_true(flows), dead)
        if by_ratio:
            later_low_ms, later_high_ms = (edge[through] for edge in _began(window, fine_before, suspicious))
            low_ms, high_ms = np.where(now_dead, low_ms, later_low_ms), np.where(now_dead, high_ms, later_high_ms)
        seen_at = np.where(now_dead, np.arange(window.points), through)

        made_w = np.maximum(np.nan_to_num(here.power), 0.0)
        due_w = np.where(has_basis, np.nan_to_num(expectation.expected), 0.0)
        missing = mwh(np.maximum(due_w - made_w, 0.0) * AC_SHARE)
        # From the first bad interval to the next good one: dull hours prove nothing, and are lost all the same.
        lasting = (last_true(np.asarray(suspicious)) > fine_before) & ~np.isnan(here.current)
        missing = np.where(lasting, missing, 0.0)
        missing_since = sum_since(missing, fine_before)[through]
        loss = np.minimum(accrued(missing, through, fault), missing_since)

        def evidence(point: int) -> Mapping[str, str | float]:
            at = int(seen_at[point])
            facts: dict[str, str | float] = {"input_number": subject.rpartition("-")[2], "strings": float(here.strings)}
            numbers = {
                "current_a": here.current[at],
                "voltage_v": here.voltage[at],
                "usual_voltage_v": here.usual_v[at],
                "share": ratio[at],
            }
            facts.update({key: round(float(value), 3) for key, value in numbers.items() if np.isfinite(value)})
            return facts

        told = Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=cause,
            cause_sets=CAUSES,
            observed=here.power[seen_at],
            expected=np.full(window.points, np.nan),
            unit="W",
            onset_ms=np.maximum(high_ms - _HALF_MS, low_ms).astype(np.int64),
            onset_low_ms=low_ms.astype(np.int64),
            onset_high_ms=high_ms.astype(np.int64),
            loss_mwh=loss,
            arrears_mwh=np.where(fault, missing_since - loss, 0.0),
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=evidence,
        )
        days = walk(scene)
        told = replace(told, figures=days.figures.get(subject, ()))
        return told if by_ratio or here.strings < 2 or subject not in days.inputs else self._by_days(scene, told)

    def _comes_and_goes(self, scene: Scene, subject: str) -> Bools:
        """Where it is told that the input breaks off in strong light: then what it carries now is no news."""
        told = scene.judged.get((Finding.STRING_INTERMITTENT, subject))
        if told is None:
            return np.zeros(scene.window.points, dtype=bool)
        fault = told.verdict == FAULT
        return np.asarray(last_true(fault) > last_true(told.verdict == OK))

    def _by_days(self, scene: Scene, told: Judgement) -> Judgement:
        """The same, with what whole days say of parallel strings where nothing else is said."""
        columns = Columns.of(scene.window.points)
        # A settling point is worth the hour of evidence that opens and clears.
        put_days(scene, walk(scene), told.subject, Kind.PARALLEL, columns, units=12)
        said = (columns.verdict != UNKNOWN) & (told.verdict == UNKNOWN)
        fault = said & (columns.verdict == FAULT)

        return replace(
            told,
            verdict=np.where(said, columns.verdict, told.verdict),
            code=np.where(fault, 3, np.where(said, 1, told.code)).astype(np.int8),
            cause=np.where(fault, 4, np.where(said, 0, told.cause)).astype(np.int8),
            onset_ms=np.where(fault, columns.onset, told.onset_ms),
            onset_low_ms=np.where(fault, columns.onset_low, told.onset_low_ms),
            onset_high_ms=np.where(fault, columns.onset_high, told.onset_high_ms),
            loss_mwh=np.where(fault, columns.loss, told.loss_mwh),
            arrears_mwh=np.where(fault, columns.arrears, told.arrears_mwh),
            evidence=lambda point: columns.facts[point] if fault[point] else told.evidence(point),
            units=np.where(said, columns.units, 1),
        )

    def _input(self, scene: Scene, subject: str) -> _Input:
        window, n = scene.window, scene.window.points
        nan = np.full(n, np.nan)
        columns = {q: g.value if (g := window.gauge(f"{subject}.{q}")) is not None else nan for q in _QUANTITIES}
        arrays = scene.site.arrays_at(subject)
        peak_w = sum(array.peak_power_w for array in arrays)
        strings = sum(array.parallel_strings for array in arrays)
        first = arrays[0]
        on_file = first.module.vmp_v is not None and first.modules_in_series is not None
        nominal_v = (first.module.vmp_v or 0.0) * (first.modules_in_series or 0) if on_file else USUAL_STRING_V
        current, voltage = columns["dc_current"], columns["dc_voltage"]
        power = np.where(np.isnan(columns["dc_power"]), current * voltage, columns["dc_power"])
        carrying = (current > 0.1 * peak_w / nominal_v) & ~np.isnan(voltage)
        usual_v = _usual(voltage, carrying, nominal_v if on_file else float("nan"))
        rated_a = first.module.imp_a * strings if first.module.imp_a is not None else peak_w / nominal_v
        return _Input(current, voltage, power, peak_w, strings, usual_v, rated_a)

    def _others_work(self, scene: Scene, subject: str, inverter: str) -> Bools:
        """Where another input makes something; without such readings, the inverter more than this input could."""
        share, site = scene.limit(self.name, "works_share"), scene.site
        others = [name for name in site.inputs_of(inverter) if name != subject]
        peaks = {name: sum(array.peak_power_w for array in site.arrays_at(name)) for name in others}
        powers = [
            gauge.value > share * peaks[name]
            for name in others
            if (gauge := scene.window.gauge(f"{name}.dc_power")) is not None
        ]
        if powers:
            return np.asarray(np.logical_or.reduce(powers))
        found = ac_power(scene, inverter)
        if found is None or not others:
            return np.zeros(scene.window.points, dtype=bool)
        return np.asarray(found[0] > share * sum(peaks.values()))

    def _cause_of_none(self, here: _Input, dead: Bools) -> Floats:
        """1 open-circuit, 2 none, 3 drifting, by the voltages of the last hour of dead intervals; 0 not told."""
        if not dead.any():
            return np.zeros(len(dead))
        share = here.voltage / np.where(
            np.isnan(here.usual_v) & (here.voltage < 0.1 * USUAL_STRING_V), 1e9, here.usual_v
        )
        share = np.where(dead, share, np.nan)
        lowest, highest = _trailing(share, np.fmin), _trailing(share, np.fmax)
        return np.select([np.isnan(lowest), lowest > 1.03, highest < 0.1], [0, 1, 2], 3)

    def _one_of_parallel(
        self, here: _Input, expected: Floats, judged: Bools, scene: Scene
    ) -> tuple[Bools, Bools, Floats]:
        """Where one of m strings is gone, where all are there, and the input's ratio to its usual (NaN: not judged)."""
        n = scene.window.points
        strong = judged & (np.nan_to_num(expected) > scene.limit(self.name, "strong_share") * here.peak_w)
        index = np.where(strong, here.power / np.where(strong, expected, 1.0), np.nan)
        all_but_one = (here.strings - 1) / here.strings + _width(here.strings)
        if here.strings < 2:
            return np.zeros(n, dtype=bool), np.zeros(n, dtype=bool), index / _trusted(_usual(index, strong, 1.0))
        # Days on which a string seems gone don't tell what is usual, or a fault that lasts would become usual.
        usual = _usual(
            index, strong, float("nan"), lambda median, before: bool(median > all_but_one * _trusted(before))
        )
        # Without a past, a missing string must not be mistaken for a site file that promises too much.
        usual = np.where(np.isnan(usual) & (all_but_one > LEAST_USUAL), np.nan, _trusted(usual))
        ratio = index / usual
        normal_voltage = np.isnan(here.voltage) | (np.abs(here.voltage / here.usual_v - 1.0) < 0.06)
        like = np.where(strong & normal_voltage, self._fraction_like(ratio, here.strings), False)
        count = int(scene.limit(self.name, "steady_intervals"))
        seen = np.convolve(strong, np.ones(count))[:n]
        hits = np.convolve(like, np.ones(count))[:n]
        # Steady: nearly every strong interval of the last two hours lies at the fraction.
        gone = like & (seen >= 0.75 * count) & (hits >= 0.9 * seen)
        there = strong & (ratio > all_but_one)
        return np.asarray(gone), np.asarray(there), ratio

    def _fraction_like(self, ratio: Floats, strings: int) -> Bools:
        return np.asarray(np.abs(ratio - (strings - 1) / strings) < _width(strings))


def _began(window: Window, fine_before: Ints, suspicious: Bools) -> tuple[Ints, Ints]:
    """For each point between when and when its episode began: the last interval that was fine, the first that was not.

    fine_before: for each interval the last fine one, -1 where there is none
    """
    ends = window.ends()
    first = last_true(suspicious & (last_true(np.concatenate(([False], suspicious[:-1]))) <= fine_before))
    low_ms = np.where(fine_before >= 0, ends[fine_before], window.start_ms)
    return low_ms, np.maximum(np.where(first >= 0, ends[first], low_ms), low_ms)


_QUANTITIES = ("dc_current", "dc_voltage", "dc_power")
_HALF_MS = 150_000  # the fault began somewhere inside the first bad interval


def _width(strings: int) -> float:
    """How far from (m-1)/m still counts as that fraction: well inside half the way to the next."""
    return 0.35 / strings


def _usual(
    values: Floats, mask: Bools, otherwise: float, joins: Callable[[float, float], bool] = lambda _median, _usual: True
) -> Floats:
    """What a value usually is: for each day the upper quartile of earlier days' medians; else a constant.

    joins: whether a day of this median belongs to the past, given what was usual before it
    """
    days = -(-len(values) // POINTS_A_DAY)
    medians: list[float] = []
    usual = np.full(len(values), otherwise)
    for day in range(days):
        part = slice(day * POINTS_A_DAY, (day + 1) * POINTS_A_DAY)
        if medians:
            usual[part] = upper_quartile(medians)
        chosen = values[part][mask[part]]
        if len(chosen) >= 6 and joins(median := middle_value(chosen), float(usual[part.start])):
            medians.append(median)
    return usual


def _trusted(usual: float | Floats) -> Floats:
    """What is usual within reason; where nothing is known, what the site file promises."""
    return np.clip(np.where(np.isnan(usual), 1.0, usual), LEAST_USUAL, MOST_USUAL)


def _trailing(values: Floats, take: np.ufunc, count: int = 12) -> Floats:
    """Lowest or highest of the last hour's entries, NaN passed over."""
    out = values.copy()
    for back in range(1, count):
        out[back:] = take(out[back:], values[:-back])
    return out
