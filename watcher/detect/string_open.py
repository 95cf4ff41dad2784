"""string-open: an input of a working inverter carries no current in daylight, or one of m strings there is gone.

First form (plain strings): current at nothing while the sun lights that plane and the inverter works. Its voltage
tells the cause: near open-circuit the panels are there and nothing is drawn; none at all, nothing arrives; anything
between that wanders is a loose end.
Second form (m equal strings at one input): power at (m-1)/m of what this input usually makes for its sunshine, steady
over hours, at normal voltage. Each input is held against its own expectation, never against a sibling that may face
another way (case F5).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    Judgement,
    Scene,
    ac_power,
    last_true,
    mwh,
    sum_since,
    unknown,
    usable_through,
)
from watcher.domain.finding import Finding
from watcher.domain.instant import POINTS_A_DAY
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
USUAL_STRING_V = 350.0  # stands in where no module is on file and no history yet
AC_SHARE = 0.96  # of DC power, for the loss at the meter (PVWatts inverter, nominal)


@dataclass(frozen=True, slots=True)
class _Input:
    """One input on the grid, NaN where not heard."""

    current: Floats
    voltage: Floats
    power: Floats
    peak_w: float
    strings: int
    usual_v: Floats
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
        window, ends = scene.window, scene.window.ends()
        here = self._input(scene, subject)
        works = self._works(scene, subject, inverter)

        basis = scene.expected.basis
        high_sun = scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")
        has_basis = (basis != Basis.NONE) & ~np.isnan(expectation.low)
        # Without a reference: the other input's output proves light, and a plane under it sees at least the sky.
        least_w = np.where(
            has_basis, np.nan_to_num(expectation.low), scene.limit(self.name, "bound_share") * expectation.bound
        )
        lit = high_sun & works & (least_w > scene.limit(self.name, "lit_share") * here.peak_w)

        nothing = here.current <= scene.limit(self.name, "nothing_share") * here.rated_a
        dead = lit & nothing
        flows = lit & ~nothing & ~np.isnan(here.current)
        known_ms = [current.known_ms, np.where(has_basis, scene.expected.known_ms, ends)]
        one_gone, ratio = self._one_of_parallel(scene, subject, here, flows & has_basis)

        through = usable_through(window, *known_ms)
        fault_here = dead | one_gone
        fine_here = flows & (here.power >= scene.limit(self.name, "fine_share") * least_w)
        if here.strings > 1:  # a dull day cannot tell one string from two: only a full ratio in strong sun can
            fine_here &= ~has_basis | (ratio > (here.strings - 1) / here.strings + _width(here.strings))
        raw = np.where(fault_here, FAULT, np.where(fine_here, OK, UNKNOWN)).astype(np.int8)
        advanced = np.diff(through, prepend=-1) > 0
        verdict = np.where((through >= 0) & advanced, raw[through], UNKNOWN).astype(np.int8)
        fault = verdict == FAULT

        cause_here = np.where(dead, self._cause_of_none(here, dead), np.where(one_gone, 4, 0)).astype(np.int8)
        code_here = np.where(dead, 2, np.where(one_gone, 3, np.where(fine_here, 1, 0))).astype(np.int8)

        made_w = np.where(np.isnan(here.power), 0.0, np.maximum(here.power, 0.0))
        missing = mwh(
            np.where(has_basis, np.maximum(np.nan_to_num(expectation.expected) - made_w, 0.0), 0.0) * AC_SHARE
        )
        missing = np.where(lit, missing, 0.0)
        # For a string among parallel ones the trailing median speaks late: the episode began where the ratio fell.
        fine_before = last_true(fine_here)
        began = fine_before[through]
        lost_since = sum_since(missing, fine_before)
        lost_sum = np.concatenate(([0.0], np.cumsum(missing)))
        newly = lost_sum[through + 1] - np.concatenate(([0.0], lost_sum[through + 1][:-1]))
        loss = np.where(fault, np.minimum(newly, lost_since[through]), 0.0)

        low_ms = np.where(began >= 0, ends[began], window.start_ms)
        suspicious = fault_here | (flows & self._fraction_like(ratio, here.strings))
        # Index of the first suspicious interval after the last good one.
        number = np.arange(window.points)
        follows = suspicious & (last_true(np.concatenate(([False], suspicious[:-1]))) <= fine_before)
        first = last_true(follows)[through]
        high_ms = np.where(first >= 0, ends[np.minimum(first, number)], low_ms)

        def evidence(point: int) -> Mapping[str, str | float]:
            at = int(through[point])
            facts: dict[str, str | float] = {"input_number": subject.rpartition("-")[2], "strings": float(here.strings)}
            numbers = {
                "current_a": here.current[at],
                "voltage_v": here.voltage[at],
                "usual_voltage_v": here.usual_v[at],
                "share": ratio[at],
            }
            facts.update({key: round(float(value), 3) for key, value in numbers.items() if np.isfinite(value)})
            return facts

        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=np.where((through >= 0) & advanced, code_here[through], 0).astype(np.int8),
            codes=CODES,
            cause=np.where(fault, cause_here[through], 0).astype(np.int8),
            cause_sets=CAUSES,
            observed=here.power[through],
            expected=np.where(has_basis, expectation.expected, np.nan)[through],
            unit="W",
            onset_ms=np.maximum(high_ms - _HALF_MS, low_ms).astype(np.int64),
            onset_low_ms=low_ms.astype(np.int64),
            onset_high_ms=np.maximum(high_ms, low_ms).astype(np.int64),
            loss_mwh=loss,
            arrears_mwh=np.where(fault, lost_since[through] - loss, 0.0),
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=evidence,
        )

    def _input(self, scene: Scene, subject: str) -> _Input:
        window, n = scene.window, scene.window.points
        nan = np.full(n, np.nan)
        columns = {q: g.value if (g := window.gauge(f"{subject}.{q}")) is not None else nan for q in _QUANTITIES}
        arrays = scene.site.arrays_at(subject)
        peak_w = sum(array.peak_power_w for array in arrays)
        strings = sum(array.parallel_strings for array in arrays)
        first = arrays[0]
        nominal_v = USUAL_STRING_V
        if first.module.vmp_v is not None and first.modules_in_series is not None:
            nominal_v = first.module.vmp_v * first.modules_in_series
        current, voltage = columns["dc_current"], columns["dc_voltage"]
        power = np.where(np.isnan(columns["dc_power"]), current * voltage, columns["dc_power"])
        carrying = (current > 0.1 * peak_w / nominal_v) & ~np.isnan(voltage)
        usual_v = _usual(voltage, carrying, nominal_v)
        rated_a = first.module.imp_a * strings if first.module.imp_a is not None else peak_w / nominal_v
        return _Input(current, voltage, power, peak_w, strings, usual_v, rated_a)

    def _works(self, scene: Scene, subject: str, inverter: str) -> Bools:
        """Whether the inverter makes something: its AC output, or another input's."""
        share = scene.limit(self.name, "works_share")
        found = ac_power(scene, inverter)
        rating_w = scene.site.inverter(inverter).ac_limit_w
        works = found[0] > share * rating_w if found is not None else np.zeros(scene.window.points, dtype=bool)
        for other in scene.site.inputs_of(inverter):
            gauge = scene.window.gauge(f"{other}.dc_power") if other != subject else None
            if gauge is not None:
                works = works | (gauge.value > share * sum(a.peak_power_w for a in scene.site.arrays_at(other)))
        return np.asarray(works)

    def _cause_of_none(self, here: _Input, dead: Bools) -> Floats:
        """1 open-circuit, 2 none, 3 drifting, by the voltages of the last hour of dead intervals; 0 unheard."""
        share = np.where(dead, here.voltage / here.usual_v, np.nan)
        lowest, highest = _trailing(share, np.fmin), _trailing(share, np.fmax)
        return np.select([np.isnan(lowest), lowest > 1.03, highest < 0.1], [0, 1, 2], 3)

    def _one_of_parallel(self, scene: Scene, subject: str, here: _Input, judged: Bools) -> tuple[Bools, Floats]:
        """Where one of m strings is gone, and the input's ratio to its usual (NaN where not judged)."""
        n = scene.window.points
        expected = scene.expected.by_subject[subject].expected
        strong = judged & (expected > scene.limit(self.name, "strong_share") * here.peak_w)
        index = np.where(strong, here.power / np.where(strong, expected, 1.0), np.nan)
        usual = np.clip(_usual(index, strong, 1.0), 0.8, 1.2)  # outside, the site file is wrong, not the string
        ratio = index / usual
        if here.strings < 2:
            return np.zeros(n, dtype=bool), ratio
        normal_voltage = np.isnan(here.voltage) | (np.abs(here.voltage / here.usual_v - 1.0) < 0.06)
        like = np.where(strong & normal_voltage, self._fraction_like(ratio, here.strings), False)
        count = int(scene.limit(self.name, "steady_intervals"))
        seen = np.convolve(strong, np.ones(count))[:n]
        hits = np.convolve(like, np.ones(count))[:n]
        # Steady: nearly every strong interval of the last two hours lies at the fraction.
        return np.asarray(like & (seen >= 0.75 * count) & (hits >= 0.9 * seen)), ratio

    def _fraction_like(self, ratio: Floats, strings: int) -> Bools:
        if strings < 2:
            return np.zeros(len(ratio), dtype=bool)
        return np.asarray(np.abs(ratio - (strings - 1) / strings) < _width(strings))


_QUANTITIES = ("dc_current", "dc_voltage", "dc_power")
_HALF_MS = 150_000  # the fault began somewhere inside the first bad interval


def _width(strings: int) -> float:
    """How far from (m-1)/m still counts as that fraction: well inside half the way to the next."""
    return 0.35 / strings


def _usual(values: Floats, mask: Bools, otherwise: float) -> Floats:
    """What a value usually is: for each day the median over earlier days of that day's median; else a constant.

    A fault that lasts joins the past, so the upper quartile of the days is taken, not their middle.
    """
    days = -(-len(values) // POINTS_A_DAY)
    medians: list[float] = []
    usual = np.full(len(values), otherwise)
    for day in range(days):
        part = slice(day * POINTS_A_DAY, (day + 1) * POINTS_A_DAY)
        if medians:
            usual[part] = float(np.quantile(medians, 0.75))
        chosen = values[part][mask[part]]
        if len(chosen) >= 6:
            medians.append(float(np.median(chosen)))
    return usual


def _trailing(values: Floats, take: np.ufunc, count: int = 12) -> Floats:
    """Lowest or highest of the last hour's entries, NaN passed over."""
    out = values.copy()
    for back in range(1, count):
        out[back:] = take(out[back:], values[:-back])
    return out
