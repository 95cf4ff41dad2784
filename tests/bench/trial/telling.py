"""From what happened to what was read: polled channels, with the faults and the holes of reading itself.

Rule: a device's rows share their times; a missing value is no row. Values are rounded as instruments do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tests.bench.trial.calendar import Year
from tests.bench.trial.household import Battery
from tests.bench.trial.metering import Clock
from tests.bench.trial.nuisances import SENTINELS
from tests.bench.trial.physics import Output
from tests.bench.trial.plan import Fault
from tests.bench.trial.references import Told
from tests.bench.trial.roofs import Roof
from watcher.align.window import Bools, Floats
from watcher.domain.instant import HOUR_MS, MINUTE_MS
from watcher.domain.site import Storage

SLEEPING, STARTING, PRODUCING, THROTTLED, FAULTY = 2.0, 3.0, 4.0, 5.0, 7.0
"""SunSpec operating states."""

BITS: Mapping[str, int] = {
    "earth-fault": 0,
    "arc-fault": 16,
    "inverter-overheating": 7,
    "supply-voltage-danger": 10,
    "battery-alarm": 17,
}
"""SunSpec Evt1 bits; 16 and 17 stand for a maker's own, which Evt1 has no place for."""


@dataclass(slots=True)
class Rows:
    """Columns on the grid, by device; a device's `heard` says in which intervals it answered."""

    columns: dict[str, dict[str, Floats]] = field(default_factory=dict)
    heard: dict[str, Bools] = field(default_factory=dict)

    def device(self, name: str, points: int) -> dict[str, Floats]:
        self.heard.setdefault(name, np.ones(points, dtype=bool))
        return self.columns.setdefault(name, {})


def inverter_rows(
    roof: Roof,
    name: str,
    output: Output,
    counter: Clock,
    cuts: Bools,
    tripped: Bools,
    battery: Battery | None,
    bits: Floats,
    rng: np.random.Generator,
) -> dict[str, Floats]:
    """Every channel of one inverter. tripped: off the grid by its protection. cuts: no mains"""
    ac, limit_w = output.ac_w[name], roof.limits_w[name]
    points = len(ac)
    found: dict[str, Floats] = {}
    seen = ac * counter.gain * (1.0 + 0.004 * rng.normal(size=points))
    found[f"{name}.ac_power"] = np.round(seen)
    found[f"{name}.ac_energy"] = counter.shown(counter.counted(ac, limit_w))
    swell = 240.0 + 3.0 * np.sin(np.arange(points) / 700.0) + 2.0 * rng.normal(size=points)
    volts = swell + 4.0 * ac / limit_w + np.where(tripped, 13.0, 0.0)
    for phase in range(1, roof.phases + 1):
        found[f"{name}.l{phase}.ac_voltage"] = np.round(np.where(cuts, 0.0, volts), 1)
    lit = np.max([output.volts[one.input] for one in roof.at(name)], axis=0) > 60.0
    state = np.where(ac > 0.0, np.where(output.limited[name], THROTTLED, PRODUCING), np.where(lit, STARTING, SLEEPING))
    found[f"{name}.operating_state"] = np.where(tripped & lit, FAULTY, state)
    found[f"{name}.temp_heatsink"] = np.round(18.0 + 45.0 * ac / limit_w + 0.3 * (output.heat - 15.0), 1)
    found[f"{name}.event_bits"] = bits
    if roof.has_dc:
        for one in roof.at(name):
            current, voltage = output.amps[one.input], output.volts[one.input]
            found[f"{one.input}.dc_voltage"] = np.round(voltage * (1.0 + 0.002 * rng.normal(size=points)), 1)
            found[f"{one.input}.dc_current"] = np.round(current * (1.0 + 0.004 * rng.normal(size=points)), 2)
            found[f"{one.input}.dc_power"] = np.round(
                found[f"{one.input}.dc_voltage"] * found[f"{one.input}.dc_current"]
            )
    if battery is not None and name == roof.inverters[0] and roof.storage is not Storage.NONE:
        found[f"{name}.battery_charge_energy"] = np.floor(np.cumsum(battery.charge_w / 12.0) / 100.0) * 100.0
        found[f"{name}.battery_discharge_energy"] = np.floor(np.cumsum(battery.discharge_w / 12.0) / 100.0) * 100.0
        found[f"{name}.state_of_charge"] = np.round(100.0 * battery.soc)
    return found


def bits_of(faults: Mapping[Fault, slice], points: int) -> Floats:
    """The event bits that the safety faults raise: a minute here and there in their days."""
    found = np.zeros(points)
    for fault, part in faults.items():
        if fault.finding in BITS:
            when = np.random.default_rng(fault.draw).random(part.stop - part.start) < 0.02
            when[0] = True
            found[part] = np.where(when, found[part] + 2.0 ** BITS[fault.finding], found[part])
    return found


def misread_rows(rows: Rows, faults: Mapping[Fault, slice], sun_up: Bools) -> None:
    """The reading's own faults, done to rows: silent, stuck, drifting."""
    for fault, part in faults.items():
        rng = np.random.default_rng((fault.draw, 3))
        inverter = "inverter-1"
        match fault.finding:
            case "inverter-silent":
                rows.heard[inverter][part] = False
            case "values-stuck":
                lit = np.flatnonzero(sun_up[part]) + part.start
                first = int(lit[len(lit) // 3]) if len(lit) else part.start
                for name, column in rows.columns[inverter].items():
                    if not name.endswith("event_bits"):
                        column[first : part.stop] = column[first]
            case "values-drifting":
                wander = np.cumsum(
                    rng.normal(0.0, 0.012, part.stop - part.start) * (rng.random(part.stop - part.start) < 0.05)
                )
                for name in ("inverter-1.input-1.dc_current", "inverter-1.input-1.dc_power"):
                    if name in rows.columns[inverter]:
                        column = rows.columns[inverter][name]
                        column[part] = np.round(column[part] * np.exp(np.clip(wander + 0.08, -0.3, 0.3)), 2)


def sentinels(rows: Rows, rng: np.random.Generator) -> None:
    """Values that say there is none: full registers and nought where a counter was."""
    for _ in range(int(rng.poisson(SENTINELS))):
        device = "inverter-1"
        at = int(rng.integers(1000, len(rows.heard[device])))
        name = str(rng.choice([one for one in rows.columns[device] if not one.endswith(("event_bits", "state"))]))
        odd = float(rng.choice([0.0, 4294967295.0]) if name.endswith("energy") else rng.choice([-32768.0, 65535.0]))
        rows.columns[device][name][at] = odd


def told(rows: Rows, year: Year, offset_ms: int, faults: Mapping[Fault, slice]) -> dict[str, Told]:
    """Rows as times, values and since when they are known; a clock an hour off and a home cut off are done here."""
    found: dict[str, Told] = {}
    base = year.starts() + offset_ms
    for device, columns in rows.columns.items():
        time_ms, known_ms = base.copy(), base.copy()
        keep = rows.heard[device].copy()
        for fault, part in faults.items():
            if fault.finding == "clock-wrong":
                time_ms[part] += HOUR_MS
                known_ms[part] += HOUR_MS
                keep[part.stop : part.stop + 12] = False
            elif fault.finding == "home-silent":
                known_ms[part] = base[part.stop - 1] + MINUTE_MS
        for name, column in columns.items():
            found[name] = Told(time_ms[keep], column[keep], known_ms[keep])
    return found
