"""What a simulated home is made of, and what happens to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from watcher.simulate.faults import Fault
from watcher.simulate.sky import DayType


@dataclass(frozen=True, slots=True)
class Place:
    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float = 0.0
    zone: str = "Europe/London"


@dataclass(frozen=True, slots=True)
class ArrayFacts:
    """input: number of the inverter's input, counted from 1."""

    id: str
    input: int
    tilt_deg: float
    azimuth_deg: float
    modules_in_series: int
    parallel_strings: int = 1


@dataclass(frozen=True, slots=True)
class ModuleFacts:
    """One module at standard test conditions."""

    power_w: float
    vmp_v: float
    gamma_per_k: float = -0.0035

    @property
    def imp_a(self) -> float:
        return self.power_w / self.vmp_v


@dataclass(frozen=True, slots=True)
class InverterFacts:
    """energy_wh: lifetime counter at the start. interface: what powers it, grid or array, or the array alone."""

    ac_limit_w: float
    phases: Literal[1, 3] = 1
    serial: str = "INV-0001"
    energy_wh: int = 0
    interface: Literal["either", "dc"] = "either"


@dataclass(frozen=True, slots=True)
class MeterFacts:
    """index_wh: register at the start. step_wh: what the register counts in. error_percent: its own error."""

    serial: str = "0000001"
    index_wh: int = 0
    import_wh: int = 0
    step_wh: int = 100
    error_percent: float = 0.6


@dataclass(frozen=True, slots=True)
class WeatherFacts:
    """delay_s: how long after its end a period is told. noise_percent: standard deviation of a period's error.
    bias_percent: a day's error lies within this, either way."""

    delay_s: float = 0.0
    noise_percent: float = 4.0
    bias_percent: float = 3.0


@dataclass(frozen=True, slots=True)
class ModbusFacts:
    """silence: how a device that does not answer shows: its gateway says so at once, or nothing comes at all."""

    silence: Literal["gateway-error", "no-answer"] = "gateway-error"


@dataclass(frozen=True, slots=True)
class Scenario:
    site: Place
    module: ModuleFacts
    inverter: InverterFacts
    arrays: tuple[ArrayFacts, ...]
    meter: MeterFacts = field(default_factory=MeterFacts)
    weather: WeatherFacts = field(default_factory=WeatherFacts)
    modbus: ModbusFacts = field(default_factory=ModbusFacts)
    days: Mapping[date, DayType] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()

    @property
    def inputs(self) -> tuple[ArrayFacts, ...]:
        """The arrays in the order of their inputs."""
        return tuple(sorted(self.arrays, key=lambda array: array.input))
