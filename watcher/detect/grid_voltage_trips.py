"""grid-voltage-trips: on sunny days an inverter leaves the mains because the voltage there is high, and comes back.

A trip is a spell in which it says that its protection holds it off, or makes nothing where it tells no state, with the
mains present, its output less than an hour ago and the voltage high then or just before. Between two polls it may have
tripped more often, so their number is "at least". Told after two trips a day on two days of seven. What voltage it
trips at and how much its own output raises it tell the cause.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.day_counts import Shown, by_days
from watcher.detect.presence import GRID_VOLTAGE_V
from watcher.detect.scene import Judgement, Scene, ac_power, last_true, mwh, previous, unknown
from watcher.detect.states import Bit, State, known_ms, rating_w, said, values
from watcher.domain.finding import Finding
from watcher.domain.site import Site

CAUSES = ("supply-voltage-high", "own-cable-rise", "protection-set-low")
STATUTORY_V = 253.0  # 230 V +10 % (ESQCR 2002, regulation 27)
FED_IN_INTERVALS = 12  # an hour: a supply that is too high without feeding in is supply-voltage-danger
BEFORE_INTERVALS = 2  # the ten minutes before, over which a supply is judged (EN 50160, from memory)
FIT_INTERVALS = 12  # an hour at such an output would have tripped it
STEP_SHARE = 0.1  # of the rating: a change of output that shows in the voltage
FEWEST_STEPS = 6
CHANNELS = ("l1.ac_voltage", "l2.ac_voltage", "l3.ac_voltage", "operating_state", "event_bits")


@dataclass(frozen=True, slots=True)
class _Columns:
    """What an inverter said, on the grid, and when it may be used. off: where its protection may hold it off"""

    power: Floats
    volts: Floats
    off: Bools
    word: Bools
    due: Floats
    known_ms: Ints
    due_known_ms: Ints
    rating_w: float
    nothing_w: float


class GridVoltageTrips:
    name = Finding.GRID_VOLTAGE_TRIPS

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters if site.arrays_of(inverter.id))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = ac_power(scene, subject)
        gauges = [scene.window.gauge(f"{subject}.l{phase}.ac_voltage") for phase in (1, 2, 3)]
        phases = [gauge for gauge in gauges if gauge is not None]
        expectation = scene.expected.by_subject.get(subject)
        if found is None or not phases or expectation is None:
            return unknown(scene, self.name, subject, f"{self.name}.not-judged")
        power, rating = found[0], rating_w(scene.site, subject)
        nothing_w = scene.limit(self.name, "nothing_share") * rating
        states = values(scene, f"{subject}.operating_state")
        off = states == State.FAULT
        if np.isnan(states).all():  # it tells none
            off = (power <= nothing_w) & (expectation.low > scene.limit(self.name, "lit_share") * rating)
        columns = _Columns(
            power=power,
            volts=phases[0].value if len(phases) == 1 else np.fmax.reduce([gauge.value for gauge in phases]),
            off=off,
            word=said(scene, subject, (Bit.AC_OVER_VOLTAGE,))[0],
            due=expectation.expected,
            known_ms=np.maximum(found[1], known_ms(scene, [f"{subject}.{name}" for name in CHANNELS])),
            due_known_ms=scene.expected.known_ms,
            rating_w=rating,
            nothing_w=nothing_w,
        )
        limits = scene.limits[self.name]
        return by_days(scene, self.name, subject, partial(_day, limits, columns), partial(_summary, limits), CAUSES)


def _day(limits: Mapping[str, float], columns: _Columns, day: date, part: slice, point_ms: int) -> Shown:
    usable = columns.known_ms[part] <= point_ms
    power = np.where(usable, columns.power[part], np.nan)
    fit = np.count_nonzero(power >= limits["strong_share"] * columns.rating_w) >= FIT_INTERVALS
    said_off = (columns.off[part] | columns.word[part]) & usable
    if not said_off.any():
        return Shown(day, fit=bool(fit))
    volts = np.where(usable, columns.volts[part], np.nan)
    stood = np.fmax.reduce([volts, *(_before(volts, back) for back in range(1, BEFORE_INTERVALS + 1))])
    fed = last_true(power > columns.nothing_w)
    off = said_off & (columns.word[part] | (stood >= limits["high_v"])) & ~(volts < GRID_VOLTAGE_V)
    off &= (fed >= 0) & (np.arange(len(power)) - fed <= FED_IN_INTERVALS)
    starts = np.flatnonzero(off & ~previous(off))
    if len(starts) < limits["trips"]:
        return Shown(day, fit=bool(fit) and not len(starts))
    due = np.where(columns.due_known_ms[part] <= point_ms, columns.due[part], np.nan)
    lost = np.nan_to_num(mwh(np.maximum(due - np.nan_to_num(power), 0.0)))[off].sum()
    figures = {"trips": float(len(starts)), "highest_v": _most(stood[off]), "rise_v": _rise_v(power, volts, columns)}
    figures = {name: value for name, value in figures.items() if np.isfinite(value)}
    return Shown(day, part.start + int(starts[0]), True, float(lost), figures)


def _rise_v(power: Floats, volts: Floats, columns: _Columns) -> float:
    """By how much full output raises the voltage, from steps of one interval: what the street does cancels out [V]."""
    steps = np.diff(power) / columns.rating_w
    rises = np.diff(volts)
    seen = (np.abs(steps) >= STEP_SHARE) & np.isfinite(rises)
    if np.count_nonzero(seen) < FEWEST_STEPS:
        return float("nan")
    return float(np.median(rises[seen] / steps[seen]))


def _summary(limits: Mapping[str, float], days: Sequence[Shown]) -> tuple[str, Mapping[str, str | float]]:
    told: dict[str, str | float] = {"trips": sum(day.figures["trips"] for day in days)}
    highest_v = max((day.figures["highest_v"] for day in days if "highest_v" in day.figures), default=None)
    rises = [day.figures["rise_v"] for day in days if "rise_v" in day.figures]
    rise_v = float(np.median(rises)) if rises else 0.0
    if rises:
        told["rise_v"] = round(rise_v, 1)
    if highest_v is None:
        return "", told
    told["highest_v"] = round(highest_v, 1)
    if highest_v < STATUTORY_V:
        return "protection-set-low", told
    return "own-cable-rise" if rise_v >= limits["rise_v"] else "supply-voltage-high", told


def _most(column: Floats) -> float:
    found = column[np.isfinite(column)]
    return float(found.max()) if len(found) else float("nan")


def _before(column: Floats, back: int) -> Floats:
    return np.concatenate((np.full(back, np.nan), column[:-back]))
