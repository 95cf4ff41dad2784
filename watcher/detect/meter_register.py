"""A generation meter's register as the meter detectors look at it: which channel it is, and when it ran backwards.

Rule: a register runs backwards where it falls and falls again and never rises in between. One fall of more than was
made is an exchange, a reset or a roll-over; a fall that the next reading makes good was a misreading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.align.window import Bools, Counter, Floats, Ints, Window
from watcher.detect.covered import covered
from watcher.detect.scene import Scene, counted_mwh, last_true
from watcher.domain.site import Meter

REFRESH_HOURS = 0.25
"""Some registers are refreshed this seldom, so that a fall may hold a quarter's energy at full power."""


def register_of(window: Window, meter: str) -> Counter | None:
    """Its index, or its pulses where none was typed from the display."""
    index = window.counter(f"{meter}.energy_index")
    return window.counter(f"{meter}.pulse_count") if index is None else index


def is_dial(window: Window, meter: str) -> bool:
    """Whether the register's figure is the one on the display."""
    return window.counter(f"{meter}.energy_index") is not None


def covered_mwh(scene: Scene, meter: Meter) -> Floats | None:
    """What passed a meter by what the devices behind it say, booked where it became known. [mWh]

    Where a battery or a load stands between, only what goes beyond all there was before: registers book at their own
    times. None where one of those is not read.
    """
    parts = covered(scene.site, meter)
    made = [found for name in parts.makers if (found := counted_mwh(scene, name)) is not None]
    if not made:
        return None
    energy = np.sum([energy for energy, _ in made], axis=0)
    if not parts.flows:
        return np.asarray(energy)
    for flow in parts.flows:
        counter = next(filter(None, (scene.window.counter(name) for name in flow.channels)), None)
        if counter is None:
            return None
        energy = energy + flow.sign * counter.booked_mwh
    return np.diff(np.maximum.accumulate(np.maximum(np.cumsum(energy), 0.0)), prepend=0.0)


@dataclass(frozen=True, slots=True)
class Backwards:
    """A register's falls since it last rose, per interval. Sums of whole milliwatt-hours.

    begun: interval of the last rise, or of a fall too great to be one of a row; the first seen where there is neither
    falls: how often it has fallen since. fallen_mwh: by how much. made_mwh: what was made since
    step_mwh: by how much it fell in the interval. last: interval of its last fall in a row, -1 before the first
    """

    begun: Ints
    falls: Ints
    fallen_mwh: Floats
    made_mwh: Floats
    step_mwh: Floats
    last: Ints


def backwards(scene: Scene, meter: Meter, register: Counter, made_mwh: Floats) -> Backwards:
    """made_mwh: what it covers made (`covered_mwh`), booked where it became known"""
    return scene.once(("backwards", meter.id), lambda: _backwards(scene, meter, register, made_mwh))


def _backwards(scene: Scene, meter: Meter, register: Counter, made_mwh: Floats) -> Backwards:
    shown = np.round(register.shown_wh * 1000.0)
    n = len(shown)
    change = np.nan_to_num(np.diff(shown, prepend=np.nan))
    made = np.concatenate(([0.0], np.cumsum(made_mwh)))
    changed = last_true(change != 0.0)
    before = np.concatenate(([-1], changed[:-1]))  # the change before this one
    since = made[1:] - made[np.maximum(before, 0)]
    rated_w = sum(inverter.ac_limit_w for inverter in scene.site.inverters if inverter.id in meter.covers)
    most = 2.0 * since + 1000.0 * (meter.resolution_wh + REFRESH_HOURS * rated_w)
    falls: Bools = (change < 0.0) & (-change <= most)
    other: Bools = (change > 0.0) | ((change < 0.0) & ~falls)
    first_seen = int(np.argmax(~np.isnan(shown))) if bool((~np.isnan(shown)).any()) else n - 1
    begun = np.maximum(last_true(other), min(first_seen, n - 1))
    begun = np.minimum(begun, np.arange(n))
    count = np.cumsum(falls)
    fallen = np.cumsum(np.where(falls, -change, 0.0))
    return Backwards(
        begun=begun,
        falls=count - count[begun],
        fallen_mwh=fallen - fallen[begun],
        made_mwh=np.maximum(made[1:] - made[begun + 1], 0.0),
        step_mwh=np.where(falls, -change, 0.0),
        last=last_true(falls),
    )


def still_since(register: Counter, falls: Backwards, window: Window) -> Ints:
    """For each interval the time its register last changed, forwards or back; 0 before the first."""
    fell_ms = np.where(falls.last >= 0, register.seen_ms[np.maximum(falls.last, 0)], 0)
    return np.maximum(register.moved_ms, fell_ms)
