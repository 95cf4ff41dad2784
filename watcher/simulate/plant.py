"""The inverter and its inputs at one minute: a pure function of sky, grid and the faults in force.

Rule: the same sky and the same faults give the same state, so a healthy twin can run alongside a broken plant and
the difference is what the fault costs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from watcher.domain.instant import HOUR_MS, MINUTE_MS
from watcher.simulate.faults import Fault, FaultKind
from watcher.simulate.noise import Noise
from watcher.simulate.roof import OPEN_OVER_MPP, StringState, string_state
from watcher.simulate.scenario import Scenario
from watcher.simulate.sky import Sky

WAKES_W = 20.0
STARTS_W = 35.0
STANDBY_W = 1.5
GRID_DISCONNECT = 1 << 4


class OperatingState(IntEnum):
    """SunSpec's inverter states."""

    SLEEPING = 2
    STARTING = 3
    MPPT = 4
    THROTTLED = 5
    STANDBY = 8


@dataclass(frozen=True, slots=True)
class InputState:
    current_a: float
    voltage_v: float

    @property
    def power_w(self) -> float:
        return self.current_a * self.voltage_v


@dataclass(frozen=True, slots=True)
class PlantState:
    """awake: whether the inverter's interface has power. ac_voltage_v, frequency_hz: 0 without grid."""

    state: OperatingState
    awake: bool
    inputs: tuple[InputState, ...]
    ac_power_w: float
    ac_voltage_v: float
    frequency_hz: float
    cabinet_c: float
    event_bits: int

    @property
    def dc_power_w(self) -> float:
        return sum(state.power_w for state in self.inputs)


def ac_from_dc(dc_w: float, rating_w: float) -> float:
    """AC power of an inverter: a standing loss, a share, and a loss that grows with the square. [W]

    About 95 % at a tenth of the rating and 97 % above a third (common practice, no source).
    """
    return max(0.0, dc_w - 0.0033 * rating_w - 0.016 * dc_w - 0.010 * dc_w * dc_w / rating_w)


class Plant:
    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self._volts = Noise(seed, "grid/volts")
        self._hertz = Noise(seed, "grid/hertz")
        self._loose = Noise(seed, "fault/loose-end")

    def at(self, time_ms: int, sky: Sky, faults: Sequence[Fault] = ()) -> PlantState:
        """State over the minute that has this instant in its middle, with these faults in force."""
        facts = self.scenario.inverter
        off = {fault.side for fault in faults if fault.kind is FaultKind.GENERATION_OFF}
        open_inputs = {fault.input: fault for fault in faults if fault.kind is FaultKind.INPUT_OPEN}
        offered = self._offered(sky, faults, array_power="dc" not in off)
        usable = sum(s.mpp_w for number, s in enumerate(offered, 1) if number not in open_inputs)
        grid = "ac" not in off

        if usable < WAKES_W:
            state = OperatingState.SLEEPING
        elif not grid:
            state = OperatingState.STANDBY
        elif usable < STARTS_W:
            state = OperatingState.STARTING
        elif ac_from_dc(usable, facts.ac_limit_w) > facts.ac_limit_w:
            state = OperatingState.THROTTLED
        else:
            state = OperatingState.MPPT

        share = _taken(state, usable, facts.ac_limit_w)
        inputs = tuple(
            self._open_input(open_inputs[number], s, time_ms) if number in open_inputs else _loaded(s, share)
            for number, s in enumerate(offered, 1)
        )
        dc_power = sum(s.power_w for s in inputs)
        ac_power = min(ac_from_dc(dc_power, facts.ac_limit_w), facts.ac_limit_w) if share else 0.0
        lit = any(s.open_v > 60 for s in offered)
        return PlantState(
            state=state,
            awake=lit or (grid and facts.interface == "either"),
            inputs=inputs,
            ac_power_w=ac_power,
            ac_voltage_v=self._grid_voltage(time_ms, ac_power) if grid else 0.0,
            frequency_hz=50.0 + 0.025 * self._hertz.normal(time_ms // MINUTE_MS) if grid else 0.0,
            cabinet_c=sky.temp_air + 6.0 + 0.007 * ac_power,
            event_bits=0 if grid else GRID_DISCONNECT,
        )

    def _offered(self, sky: Sky, faults: Sequence[Fault], array_power: bool) -> list[StringState]:
        if not array_power:
            return [StringState(0.0, 0.0, 0.0) for _ in self.scenario.inputs]
        gone = {f.input: f.strings for f in faults if f.kind is FaultKind.PARALLEL_STRING_OPEN}
        return [
            string_state(sky, array, self.scenario.module, array.parallel_strings - gone.get(array.input, 0))
            for array in self.scenario.inputs
        ]

    def _open_input(self, fault: Fault, offered: StringState, time_ms: int) -> InputState:
        match fault.voltage:
            case "none":
                return InputState(0.0, 0.0)
            case "drifting":
                # A loose end: what is left of the contact changes from minute to minute.
                wander = 0.5 + 0.28 * self._loose.normal(time_ms // MINUTE_MS)
                return InputState(0.0, offered.open_v * max(0.05, min(1.0, wander)))
        return InputState(0.0, offered.open_v)

    def _grid_voltage(self, time_ms: int, ac_power_w: float) -> float:
        hour = (time_ms % (24 * HOUR_MS)) / HOUR_MS
        # The street cooks between 17 and 20 h: a few volts less; what we feed in lifts our own end a little.
        evening = 4.0 * max(0.0, 1 - abs(hour - 18.5) / 2.5)
        per_phase_w = ac_power_w / self.scenario.inverter.phases
        return 241.0 - evening + 0.0011 * per_phase_w + 0.7 * self._volts.normal(time_ms // MINUTE_MS)


def _taken(state: OperatingState, usable_w: float, limit_w: float) -> float:
    """Share of the offered power that the inverter takes: all of it, none, or what its limit leaves. [0..1]"""
    if state is OperatingState.MPPT:
        return 1.0
    if state is not OperatingState.THROTTLED:
        return 0.0
    low, high = limit_w, usable_w
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if ac_from_dc(middle, limit_w) < limit_w else (low, middle)
    return high / usable_w


def _loaded(offered: StringState, share: float) -> InputState:
    """Taking less than offered means working nearer to the open-circuit voltage."""
    if share == 0.0:
        return InputState(0.0, offered.open_v)
    voltage = offered.mpp_v * (1 + (OPEN_OVER_MPP - 1) * (1 - share))
    return InputState(offered.mpp_w * share / voltage if voltage else 0.0, voltage)
