"""The simulated home as it goes through time: one state a minute, counters, and the account of what faults cost.

Rule: within a minute everything but the counters stands still, and a counter is what it was at the minute's start plus
power times time. So counters come out the same to the last bit however time was stepped.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from watcher.domain.instant import HOUR_MS, MINUTE_MS, SECOND_MS
from watcher.simulate.faults import PLANT_FAULTS, Fault, FaultKind
from watcher.simulate.noise import Noise
from watcher.simulate.plant import STANDBY_W, InputState, Plant, PlantState
from watcher.simulate.scenario import Scenario
from watcher.simulate.sky import SkyModel
from watcher.simulate.truth import Account, truth_lines

CABLE_LOSS = 0.006  # of the power at the inverter's rating, in proportion to the square of the current


@dataclass(frozen=True, slots=True)
class InverterView:
    """What the inverter would say just now, before its registers round it."""

    plant: PlantState
    serial: str
    energy_wh: int
    input_energy_wh: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MeterView:
    """power_w: generation positive. export_wh: what has been generated; import_wh: what the inverter used at night."""

    serial: str
    power_w: float
    ac_voltage_v: float
    frequency_hz: float
    export_wh: int
    import_wh: int


@dataclass(slots=True)
class _Counters:
    """At the start of the minute that is running. [Wh]"""

    inverter: float
    inputs: list[float]
    exported: float
    imported: float


@dataclass(frozen=True, slots=True)
class _Rates:
    """What each counter gains over the minute that is running. [W]"""

    inverter: float
    inputs: tuple[float, ...]
    exported: float
    imported: float
    losses: tuple[float, ...]


class World:
    """start_ms: a whole minute. ValueError otherwise, and when asked to go back in time."""

    def __init__(self, seed: int, start_ms: int, scenario: Scenario) -> None:
        if start_ms % MINUTE_MS:
            raise ValueError(f"{start_ms} ms is no whole minute; the simulated home starts on one")
        self.scenario = scenario
        self.now_ms = start_ms
        self.sky = SkyModel(seed, scenario.site.latitude_deg, scenario.site.longitude_deg, scenario.days)
        self._inverter_sees = Noise(seed, "instruments/inverter")
        self._meter_sees = Noise(seed, "instruments/meter")
        self._plant = Plant(scenario, seed)
        self._accounts = [Account(fault) for fault in scenario.faults if fault.finding is not None]
        meter = scenario.meter
        self._counters = _Counters(
            inverter=float(scenario.inverter.energy_wh),
            inputs=[0.0] * len(scenario.arrays),
            exported=float(meter.index_wh),
            imported=float(meter.import_wh),
        )
        self._minute_ms = start_ms
        self._state, self._rates = self._open_minute()

    def advance(self, now_ms: int) -> None:
        """Go on to an instant."""
        if now_ms < self.now_ms:
            raise ValueError(f"the simulated home is at {self.now_ms} ms and does not go back to {now_ms} ms")
        while now_ms >= self._minute_ms + MINUTE_MS:
            self._close_minute()
            self._minute_ms += MINUTE_MS
            self._restart_counters()
            self._state, self._rates = self._open_minute()
        self.now_ms = now_ms

    def active(self, *kinds: FaultKind) -> list[Fault]:
        """The faults of these kinds in force now."""
        return [fault for fault in self.scenario.faults if fault.kind in kinds and fault.active(self.now_ms)]

    def inverter(self) -> InverterView | None:
        """None while it does not answer."""
        if not self._state.awake or self.active(FaultKind.INVERTER_SILENT):
            return None
        hours = self._hours()
        counted = self._counters.inverter + self._rates.inverter * hours
        dc = zip(self._counters.inputs, self._rates.inputs, strict=True)
        return InverterView(
            plant=self._as_measured(),
            serial=self._serial("inverter-1", self.scenario.inverter.serial),
            energy_wh=self._shown("inverter-1", int(counted)),
            input_energy_wh=tuple(int(before + rate * hours) for before, rate in dc),
        )

    def meter(self) -> MeterView | None:
        """None while it does not answer."""
        if self.active(FaultKind.METER_SILENT):
            return None
        hours, facts, second = self._hours(), self.scenario.meter, self.now_ms // SECOND_MS
        exported = self._counters.exported + self._rates.exported * hours
        imported = self._counters.imported + self._rates.imported * hours
        power = self._metered_w(self._state.ac_power_w) - _standby_w(self._state)
        # The meter sits on the grid's side of whatever switched the inverter off.
        volts = self._state.ac_voltage_v or 241.0
        return MeterView(
            serial=self._serial("meter-1", facts.serial),
            power_w=power * (1 + 0.001 * self._meter_sees.normal(2 * second)),
            ac_voltage_v=volts + 0.2 * self._meter_sees.normal(2 * second + 1),
            frequency_hz=self._state.frequency_hz or 50.0,
            export_wh=self._shown("meter-1", int(exported) // facts.step_wh * facts.step_wh),
            import_wh=int(imported) // facts.step_wh * facts.step_wh,
        )

    def truth(self) -> list[dict[str, object]]:
        """What is wrong and was, so far, in replay lines."""
        hours = self._hours()
        losses = [
            account.lost_wh + rate * hours for account, rate in zip(self._accounts, self._rates.losses, strict=True)
        ]
        return truth_lines(self.scenario.site.id, self._accounts, losses, self.now_ms)

    def _hours(self) -> float:
        return (self.now_ms - self._minute_ms) / HOUR_MS

    def _open_minute(self) -> tuple[PlantState, _Rates]:
        middle_ms = self._minute_ms + MINUTE_MS // 2
        sky = self.sky.at(middle_ms)
        faults = [fault for fault in self.scenario.faults if fault.active(self._minute_ms)]
        on_plant = [fault for fault in faults if fault.kind in PLANT_FAULTS]
        state = self._plant.at(middle_ms, sky, on_plant)
        metered = self._metered_w(state.ac_power_w)
        stalled = any(fault.kind is FaultKind.METER_STALLED for fault in faults)
        losses = []
        for account in self._accounts:
            fault, loss = account.fault, 0.0
            if fault in on_plant:
                # Each fault pays for what it would cost alone; where two meet, their bills may overlap.
                healthy = self._plant.at(middle_ms, sky).ac_power_w
                alone = state if len(on_plant) == 1 else self._plant.at(middle_ms, sky, [fault])
                loss = healthy - alone.ac_power_w
            elif fault in faults and fault.kind is FaultKind.METER_STALLED:
                loss = metered
            losses.append(loss)
        rates = _Rates(
            inverter=state.ac_power_w,
            inputs=tuple(s.power_w for s in state.inputs),
            exported=0.0 if stalled else metered,
            imported=0.0 if stalled else _standby_w(state),
            losses=tuple(losses),
        )
        return state, rates

    def _close_minute(self) -> None:
        counters, rates, hours = self._counters, self._rates, MINUTE_MS / HOUR_MS
        counters.inverter += rates.inverter * hours
        counters.inputs = [before + rate * hours for before, rate in zip(counters.inputs, rates.inputs, strict=True)]
        counters.exported += rates.exported * hours
        counters.imported += rates.imported * hours
        for account, rate in zip(self._accounts, rates.losses, strict=True):
            account.lost_wh += rate * hours

    def _restart_counters(self) -> None:
        for fault in self.scenario.faults:
            if fault.kind is FaultKind.COUNTER_RESTART and fault.at_ms == self._minute_ms:
                if fault.device == "meter-1":
                    self._counters.exported = self._counters.imported = 0.0
                else:
                    self._counters.inverter = 0.0
                    self._counters.inputs = [0.0] * len(self._counters.inputs)

    def _metered_w(self, ac_power_w: float) -> float:
        lost = CABLE_LOSS * ac_power_w * ac_power_w / self.scenario.inverter.ac_limit_w
        return (ac_power_w - lost) * (1 + self.scenario.meter.error_percent / 100)

    def _shown(self, device: str, counted: int) -> int:
        for fault in self.active(FaultKind.COUNTER_DIP):
            if fault.device == device:
                return fault.reads_wh
        return counted

    def _serial(self, device: str, serial: str) -> str:
        restarts = [
            fault
            for fault in self.scenario.faults
            if fault.kind is FaultKind.COUNTER_RESTART and fault.device == device and fault.at_ms <= self.now_ms
        ]
        return (restarts[-1].serial or f"{serial}-{len(restarts) + 1}") if restarts else serial

    def _as_measured(self) -> PlantState:
        """The state with the small errors of the inverter's own instruments, new each second."""
        second, state = self.now_ms // SECOND_MS, self._state
        inputs = tuple(
            InputState(
                s.current_a * (1 + 0.002 * self._inverter_sees.normal(64 * second + 2 * n + 16)),
                s.voltage_v * (1 + 0.001 * self._inverter_sees.normal(64 * second + 2 * n + 17)),
            )
            for n, s in enumerate(state.inputs)
        )
        volts = state.ac_voltage_v + 0.3 * self._inverter_sees.normal(64 * second + 1) if state.ac_voltage_v else 0.0
        watts = state.ac_power_w * (1 + 0.002 * self._inverter_sees.normal(64 * second))
        return replace(state, inputs=inputs, ac_voltage_v=volts, ac_power_w=watts)


def _standby_w(state: PlantState) -> float:
    """What the inverter draws from the grid while it makes nothing. [W]"""
    return STANDBY_W if state.ac_voltage_v and not state.ac_power_w else 0.0
