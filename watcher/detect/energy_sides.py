"""The sides of a bus, what flows in and what flows out, over the intervals of a day in which all of them are told.

Rule: a balance asks for every side. On the AC side those are what inverters give and take, the street, the house, and a
battery of its own; on the DC side of an inverter with a battery its inputs, the battery, and what goes to the AC side.
Where a side is not told the bus has no balance. An inverter without a battery that sleeps at night gives nothing then.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, nan

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.detect.scene import Scene, mwh
from watcher.detect.settled import Settling
from watcher.domain.site import MeterRole, Site, Storage
from watcher.expect.plant import INVERTER_EFFICIENCY

DARK_DEG = -4.0
"""Of the sun's height: an inverter without a battery makes nothing below it."""

CLASS_SHARE = {"A": 0.035, "B": 0.02, "C": 0.007}
"""What a meter may err by in use, of what it counts (2014/32/EU; as in meter_mismatch.py)."""

OTHER_SHARE = 0.04
"""The same for what no certificate stands behind: an inverter's own counters (common practice, no source)."""


LIT, FEWEST = 0.1, 12
"""Of the rating: light in which inputs tell something; and intervals of an hour, fewer of which tell nothing."""


@dataclass(frozen=True, slots=True)
class Flow:
    """Energy of one side by interval [mWh], NaN where not told. sign: +1 into the bus. share: what it may err by"""

    energy: Floats
    sign: int
    share: float


@dataclass(frozen=True, slots=True)
class Balance:
    """in_wh, out_wh: over the day's intervals that all sides tell. error_wh: what the sides may be out by together"""

    in_wh: float
    out_wh: float
    error_wh: float


def has_ac_bus(site: Site) -> bool:
    """Whether a site's AC side may have all its sides metered, by what is on file."""
    roles = {meter.role for meter in site.meters}
    return MeterRole.LOAD in roles and bool(roles & {MeterRole.IMPORT, MeterRole.EXPORT})


@dataclass(frozen=True, slots=True)
class Sides:
    """The columns of one settled day, as known at its point."""

    scene: Scene
    one: Settling

    def ac_bus(self) -> Balance | None:
        """What inverters, street and battery bring, and what house, street and battery take."""
        flows: list[Flow | None] = []
        for inverter in self.scene.site.inverters:
            flows += self._of_inverter(inverter.id, OTHER_SHARE)
            if inverter.storage is Storage.AC:
                flows += self._of_battery(inverter.id, OTHER_SHARE)
        flows += self._of_street()
        for meter in self.scene.site.meters:
            share = CLASS_SHARE[meter.accuracy_class]
            if meter.role is MeterRole.LOAD:
                used = self._first((f"{meter.id}.energy_index", f"{meter.id}.energy_import"), f"{meter.id}.load_power")
                flows.append(None if used is None else Flow(used, -1, share))
            elif meter.role is MeterRole.BATTERY:
                flows += self._of_battery(meter.id, share)
        return self._balance(flows)

    def dc_bus(self, inverter: str) -> Balance | None:
        """What the inputs and the battery bring to an inverter, and what battery and AC side take."""
        flows: list[Flow | None] = []
        for name in self.scene.site.inputs_of(inverter):
            power = self._gauge(f"{name}.dc_power")
            flows.append(None if power is None else Flow(mwh(np.maximum(power, 0.0)), 1, OTHER_SHARE))
        for flow in self._of_battery(inverter, OTHER_SHARE):
            flows.append(flow)
        for flow in self._of_inverter(inverter, OTHER_SHARE):
            if flow is None:
                return None
            # As it stands on the DC side, before or behind what conversion takes.
            loss = INVERTER_EFFICIENCY**-flow.sign
            flows.append(Flow(loss * flow.energy, -flow.sign, flow.share))
        return self._balance(flows)

    def dc_share(self, inverter: str) -> float:
        """ln of what the inputs must have brought in light, by all other sides, over what they say; NaN if untold."""
        names = self.scene.site.inputs_of(inverter)
        each = [self._gauge(f"{name}.dc_power") for name in names]
        told = [one for one in each if one is not None]
        others = [*self._of_inverter(inverter, 0.0), *self._of_battery(inverter, 0.0)]
        flows = [flow for flow in others if flow is not None]
        if not told or len(told) < len(each) or len(flows) < len(others):
            return nan
        came = np.sum(told, axis=0)
        peak_w = sum(array.peak_power_w for array in self.scene.site.arrays_of(inverter))
        lit = np.logical_and.reduce([came > LIT * peak_w, *(~np.isnan(flow.energy) for flow in flows)])
        if np.count_nonzero(lit) < FEWEST:
            return nan
        output, drawn, given, charged = (float(flow.energy[lit].sum()) for flow in flows)
        must = output / INVERTER_EFFICIENCY - drawn * INVERTER_EFFICIENCY + charged - given
        return log(must / float(mwh(came[lit]).sum())) if must > 0.0 else nan

    def battery(self, device: str) -> tuple[float, float]:
        """Energy charged and given back over the intervals that tell both. [Wh] NaN where they are too few."""
        charged, given = (self._counter(f"{device}.battery_{way}_energy") for way in ("charge", "discharge"))
        if charged is None or given is None:
            return nan, nan
        both = ~np.isnan(charged) & ~np.isnan(given)
        if 10 * np.count_nonzero(both) < 9 * len(both):
            return nan, nan
        return float(charged[both].sum()) / 1000.0, float(given[both].sum()) / 1000.0

    def charge_state(self, device: str) -> tuple[float, float, float]:
        """Share of the battery's capacity at the day's begin and end, and the sum of its falls. [0..1] NaN if untold"""
        soc = self._gauge(f"{device}.state_of_charge")
        told = np.array([]) if soc is None else soc[~np.isnan(soc)] / 100.0
        if soc is None or 10 * len(told) < 9 * len(soc):
            return nan, nan, nan
        falls = np.minimum(np.diff(told), 0.0)
        return float(told[0]), float(told[-1]), float(-falls.sum())

    def _of_inverter(self, inverter: str, share: float) -> list[Flow | None]:
        """What an inverter gives, and with a battery on its DC side what it takes."""
        given = self._first((f"{inverter}.ac_energy",), f"{inverter}.ac_power")
        facts = self.scene.site.inverter(inverter)
        if facts.storage is not Storage.DC:
            if given is not None:
                given = np.where(np.isnan(given) & self._dark(), 0.0, given)
            return [None if given is None else Flow(given, 1, share)]
        taken = self._counter(f"{inverter}.energy_import")
        power = self._gauge(f"{inverter}.ac_power")
        if taken is None and power is not None:
            taken = mwh(np.maximum(-power, 0.0))
        return [None if one is None else Flow(one, sign, share) for one, sign in ((given, 1), (taken, -1))]

    def _of_battery(self, device: str, share: float) -> list[Flow | None]:
        ways = (("discharge", 1), ("charge", -1))
        found = [(self._counter(f"{device}.battery_{way}_energy"), sign) for way, sign in ways]
        return [None if one is None else Flow(one, sign, share) for one, sign in found]

    def _of_street(self) -> list[Flow | None]:
        """Both ways at the cut-out: two registers, two meters, or power with its sign."""
        flows: dict[int, Flow] = {}
        for meter in self.scene.site.meters:
            if meter.role not in (MeterRole.IMPORT, MeterRole.EXPORT):
                continue
            share = CLASS_SHARE[meter.accuracy_class]
            own = 1 if meter.role is MeterRole.IMPORT else -1
            names = (
                (f"{meter.id}.energy_import", 1),
                (f"{meter.id}.energy_export", -1),
                (f"{meter.id}.energy_index", own),
            )
            for name, sign in names:
                energy = self._counter(name)
                if energy is not None and sign not in flows:
                    flows[sign] = Flow(energy, sign, share)
            power = self._gauge(f"{meter.id}.grid_power")
            if power is not None and len(flows) < 2:
                flows = {
                    1: Flow(mwh(np.maximum(power, 0.0)), 1, share),
                    -1: Flow(mwh(np.maximum(-power, 0.0)), -1, share),
                }
        return [flows.get(1), flows.get(-1)]

    def _balance(self, flows: list[Flow | None]) -> Balance | None:
        told = [flow for flow in flows if flow is not None]
        if len(told) < len(flows) or not told:
            return None
        all_told = np.logical_and.reduce([~np.isnan(flow.energy) for flow in told])
        if 10 * np.count_nonzero(all_told) < 9 * len(all_told):
            return None
        sums = [(float(flow.energy[all_told].sum()) / 1000.0, flow) for flow in told]
        return Balance(
            sum(wh for wh, flow in sums if flow.sign > 0),
            sum(wh for wh, flow in sums if flow.sign < 0),
            sum(wh * flow.share for wh, flow in sums),
        )

    def _dark(self) -> Bools:
        return np.asarray(self.scene.expected.sun_elevation_deg[self.one.part] < DARK_DEG)

    def _first(self, counters: tuple[str, ...], power: str) -> Floats | None:
        """The first of these counters that was told on the day, else the integral of a power, upwards."""
        for name in counters:
            energy = self._counter(name)
            if energy is not None:
                return energy
        gauge = self._gauge(power)
        return None if gauge is None else mwh(np.maximum(gauge, 0.0))

    def _counter(self, channel: str) -> Floats | None:
        """Energy by interval; None where nothing of it was told on the day."""
        counter, part = self.scene.window.counter(channel), self.one.part
        if counter is None:
            return None
        energy = np.where(counter.known_ms[part] <= self.one.point_ms, counter.energy_mwh[part], nan)
        return None if np.isnan(energy).all() else energy

    def _gauge(self, channel: str) -> Floats | None:
        gauge, part = self.scene.window.gauge(channel), self.one.part
        if gauge is None:
            return None
        value = np.where(gauge.known_ms[part] <= self.one.point_ms, gauge.value[part], nan)
        return None if np.isnan(value).all() else value
