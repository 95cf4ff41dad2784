"""Counters: an inverter's own, good to a few per cent and not linear in load, and a generation meter with its faults.

Rule: a register is a running sum cut to its step; a fault of it changes what is added from then on, never what was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.trial.plan import Fault
from watcher.align.window import Bools, Floats

MISREADING: dict[str, float] = {
    "pulses-lost-2": 0.98,
    "pulses-lost-5": 0.95,
    "pulses-lost-20": 0.80,
    "constant-wrong": 0.5,
    "pulses-doubled": 2.0,
    "phase-missing": 2.0 / 3.0,
}
CAUSES = {"constant-wrong": "constant-wrong", "pulses-doubled": "pulses-doubled", "phase-missing": "phase-missing"}


@dataclass(frozen=True, slots=True)
class Clock:
    """An instrument's own truth. step_wh: of its register. gain, bend: its error, and how that leans with load"""

    start_wh: float
    step_wh: float
    gain: float
    bend: float

    def counted(self, power_w: Floats, rated_w: float) -> Floats:
        """What it counts in each interval. [Wh]"""
        load = power_w / rated_w
        return power_w / 12.0 * self.gain * (1.0 + self.bend * (load - 0.5))

    def shown(self, counted_wh: Floats) -> Floats:
        """Its register in the middle of each interval, cut to its step. [Wh]"""
        middle = self.start_wh + np.cumsum(counted_wh) - 0.5 * counted_wh
        return np.floor(middle / self.step_wh + 1e-9) * self.step_wh


def draw_inverter_counter(rng: np.random.Generator) -> Clock:
    return Clock(
        float(rng.integers(2_000, 40_000)) * 1000.0, float(rng.choice([10.0, 100.0])), rng.normal(1.0, 0.012), 0.01
    )


def draw_meter(step_wh: float, rng: np.random.Generator) -> Clock:
    """Class B: within a per cent as a rule."""
    return Clock(float(rng.integers(2_000, 40_000)) * 1000.0, step_wh, rng.normal(1.0, 0.004), 0.0)


@dataclass(slots=True)
class Metered:
    """counted_wh: per interval, faults included. misread_wh: how far off, of each fault. silent: not heard"""

    counted_wh: Floats
    misread_wh: dict[Fault, Floats]
    silent: Bools
    restarts: list[int]


def metered(right_wh: Floats, faults: dict[Fault, slice], dark: Bools) -> Metered:
    """right_wh: what a faultless meter counts in each interval. dark: deep night."""
    counted = right_wh.copy()
    found = Metered(counted, {}, np.zeros(len(counted), dtype=bool), [])
    for fault, part in faults.items():
        match fault.finding:
            case "meter-stalled":
                counted[part] = 0.0
            case "meter-mismatch":
                counted[part] *= MISREADING[fault.variant]
            case "meter-reversed":
                counted[part] *= -1.0
            case "meter-night-energy":
                counted[part] += np.where(dark[part], 120.0 / 12.0, 0.0)
            case "meter-silent":
                found.silent[part] = True
            case "meter-restarted":
                found.restarts.append(part.start)
            case _:
                continue
        found.misread_wh[fault] = np.abs(counted[part] - right_wh[part])
    return found


def register(clock: Clock, counted_wh: Floats, restarts: list[int]) -> Floats:
    """What the meter shows; at a restart it begins again at nothing."""
    sum_wh = clock.start_wh + np.cumsum(counted_wh) - 0.5 * counted_wh
    for first in restarts:
        sum_wh[first:] -= sum_wh[first]
    return np.floor(sum_wh / clock.step_wh + 1e-9) * clock.step_wh


def pulses(index_wh: Floats, restarts: list[int]) -> Floats:
    """What a counter of its pulses shows, one a watt-hour: from nothing at the year's begin, and at a restart again."""
    found = index_wh - index_wh[0]
    for first in restarts:
        found[first:] = index_wh[first:] - index_wh[first]
    return np.floor(found)
