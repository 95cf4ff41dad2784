"""What a device says of itself: its operating states and its event bits, in the words they have in the store.

Rule: the edge has already turned a device's own numbers into these (collect/modbus/models.py, register and topic
maps). A bit that is not set says nothing; a word with too many bits is no word at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import IntEnum

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.presence import GRID_VOLTAGE_V
from watcher.detect.scene import FAULT, UNKNOWN, Scene, last_true
from watcher.domain.finding import Finding
from watcher.domain.instant import POINTS_A_DAY
from watcher.domain.site import Site

MOST_BITS = 8
"""A word with more bits set is a register misread, not a device with nine troubles (common practice, no source)."""


class State(IntEnum):
    """An inverter's operating state: SunSpec models 101 to 103, point St, and DCSt of model 160."""

    OFF = 1
    SLEEPING = 2
    STARTING = 3
    PRODUCING = 4
    THROTTLED = 5
    SHUTTING_DOWN = 6
    FAULT = 7
    STANDBY = 8
    TEST = 9


class Bit(IntEnum):
    """A bit of an inverter's event word: SunSpec Evt1, with two of our own beyond it for register maps."""

    EARTH_FAULT = 0
    DC_OVER_VOLTAGE = 1
    AC_DISCONNECTED = 2
    DC_DISCONNECTED = 3
    GRID_DISCONNECT = 4
    CABINET_OPEN = 5
    MANUAL_SHUTDOWN = 6
    OVER_TEMPERATURE = 7
    OVER_FREQUENCY = 8
    UNDER_FREQUENCY = 9
    AC_OVER_VOLTAGE = 10
    AC_UNDER_VOLTAGE = 11
    FUSE_BLOWN = 12
    UNDER_TEMPERATURE = 13
    MEMORY_LOST = 14
    HARDWARE_TEST_FAILED = 15
    ARC_DETECTED = 16
    BATTERY_ALARM = 17


class InputBit(IntEnum):
    """A bit of one input's event word: SunSpec model 160, point DCEvt, as far as something here asks for it."""

    EARTH_FAULT = 0
    OVER_TEMPERATURE = 7
    ARC_DETECTED = 15


GRID_BITS = (
    Bit.GRID_DISCONNECT,
    Bit.OVER_FREQUENCY,
    Bit.UNDER_FREQUENCY,
    Bit.AC_OVER_VOLTAGE,
    Bit.AC_UNDER_VOLTAGE,
)
"""What an inverter's protection says of the mains."""


def values(scene: Scene, channel: str) -> Floats:
    """A measured value on the grid; NaN throughout where there is no such channel."""
    gauge = scene.window.gauge(channel)
    return gauge.value if gauge is not None else np.full(scene.window.points, np.nan)


def known_ms(scene: Scene, channels: Iterable[str]) -> Ints:
    """When all of these channels may be used on the grid, as far as the window has them."""
    gauges = [scene.window.gauge(name) for name in channels]
    told = [gauge.known_ms for gauge in gauges if gauge is not None]
    return np.asarray(np.maximum.reduce([scene.window.ends(), *told]), dtype=np.int64)


def is_in(states: Floats, *wanted: State) -> Bools:
    """Where an operating state is one of these."""
    return np.asarray(np.logical_or.reduce([states == state for state in wanted]))


def said(
    scene: Scene, device: str, bits: tuple[Bit, ...], input_bits: tuple[InputBit, ...] = ()
) -> tuple[Bools, Bools]:
    """Where a device said one of these bits, itself or of one of its inputs; and where its words were heard at all."""
    shown, heard = (np.zeros(scene.window.points, dtype=bool) for _ in range(2))
    words: Mapping[str, tuple[IntEnum, ...]] = {f"{device}.event_bits": bits} | {
        f"{name}.event_bits": input_bits for name in scene.site.inputs_of(device)
    }
    for channel, wanted in words.items():
        gauge = scene.window.gauge(channel)
        if gauge is None or not wanted:
            continue
        heard |= ~np.isnan(gauge.value)
        for place in np.flatnonzero(gauge.value > 0.0):
            word = int(gauge.value[place])
            shown[place] |= word.bit_count() <= MOST_BITS and any(word >> bit & 1 for bit in wanted)
    return shown, heard


def grid_present(scene: Scene, inverter: str) -> Bools:
    """Where the inverter sees the mains; where it tells no volts, it may."""
    volts = values(scene, f"{inverter}.l1.ac_voltage")
    return ~(volts < GRID_VOLTAGE_V)


def held_back(scene: Scene, inverter: str) -> tuple[Bools, Ints]:
    """Where the mains is there and something else than a dead inverter explains that it makes nothing yet.

    Its protection holds it off, by its own word; or it waits as it did on the mornings of a late start that was told
    lately (which must have been judged before). And when that may be used.
    """
    channels = (f"{inverter}.operating_state", f"{inverter}.l1.ac_voltage")
    states = values(scene, channels[0])
    held = is_in(states, State.FAULT)
    late = scene.judged.get((Finding.LATE_START, inverter))
    if late is not None and (late.verdict == FAULT).any():
        at = last_true(late.verdict != UNKNOWN)
        lately = since(late.verdict == FAULT) <= POINTS_A_DAY * scene.limit(Finding.LATE_START, "within_days")
        told = (at >= 0) & (late.verdict[at] == FAULT) & lately
        held |= told & (np.isnan(states) | is_in(states, State.STARTING, State.STANDBY))
    return held & grid_present(scene, inverter), known_ms(scene, channels)


def since(mask: Bools) -> Floats:
    """For each interval how many have passed since the last one of the mask; all of them where there is none."""
    return np.asarray(np.arange(len(mask)) - last_true(mask), dtype=np.float64)


def rating_w(site: Site, inverter: str) -> float:
    """The most that an inverter and its panels give. [W]"""
    return min(site.inverter(inverter).ac_limit_w, sum(array.peak_power_w for array in site.arrays_of(inverter)))
