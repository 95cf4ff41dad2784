"""What passes a meter: the output of the inverters it covers, less what is taken on the way.

Rule: a battery's own inverter among those it covers gives and takes; a load meter that names a covered inverter counts
what is taken between the two. All of it must be read, or nothing is compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from watcher.align.possible import is_battery
from watcher.domain.site import Meter, MeterRole, Site


class Flow(NamedTuple):
    """A register beside those of the inverters. sign: 1 for what is given, -1 for what is taken"""

    device: str
    registers: tuple[str, ...]
    sign: int

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(f"{self.device}.{register}" for register in self.registers)


@dataclass(frozen=True, slots=True)
class Covered:
    """makers: inverters with panels. flows: what batteries give and take, and what loads take"""

    makers: tuple[str, ...]
    flows: tuple[Flow, ...]


def covered(site: Site, meter: Meter) -> Covered:
    batteries = tuple(one.id for one in site.inverters if one.id in meter.covers and is_battery(site, one))
    makers = tuple(name for name in meter.covers if name not in batteries)
    flows = []
    for name in batteries:
        flows += [Flow(name, ("battery_discharge_energy",), 1), Flow(name, ("battery_charge_energy",), -1)]
    for load in site.meters:
        if load.role is MeterRole.LOAD and set(load.covers) & set(meter.covers):
            flows.append(Flow(load.id, ("energy_index", "pulse_count"), -1))
    return Covered(makers, tuple(flows))
