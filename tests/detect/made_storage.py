"""A home with a battery on the inverter's DC side: panels, house, cheap hours, and every counter they move.

Rule: energy is kept to the milliwatt-hour on the AC side; conversion and battery take what they take. What it does with
its battery follows the clock and the house, as homes on a tariff with cheap hours do.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tests.detect.made_homes import METER, SOUTH, Home, home_site, polled, samples
from watcher.align.window import Bools, Floats
from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.domain.reading import Samples
from watcher.domain.site import Inverter, Meter, MeterRole, Module, RegisterType, Site, Storage

ROWS = tuple(
    replace(
        SOUTH, id=f"row-{number}", input=f"inverter-1.input-{number}", peak_power_w=2400.0, modules_in_series=6,
        module=Module(vmp_v=40.0),
    )
    for number in (1, 2)
)  # fmt: skip
IMPORT = Meter("meter-in", MeterRole.IMPORT, decimals=2)
EXPORT = Meter("meter-out", MeterRole.EXPORT, decimals=2)
LOAD = Meter("meter-house", MeterRole.LOAD, decimals=2)
METERS = (replace(METER, decimals=2), IMPORT, EXPORT, LOAD)
EFFICIENCY = 0.955
CAPACITY_WH = 9500.0
MOST_W = 3000.0


def storage_site(meters: tuple[Meter, ...] = METERS, storage: Storage = Storage.DC) -> Site:
    devices = ("inverter-1", *(meter.id for meter in meters))
    return home_site(
        *ROWS,
        inverters=(Inverter("inverter-1", 3680.0, storage=storage),),
        meters=meters,
        sources=tuple(polled(device) for device in devices),
    )


@dataclass
class StorageHome:
    """cheap_wh: taken from the mains each night. forced: from 17 to 18 o'clock it sends out what it can

    gives_back: share of what is stored that comes out again, by interval. standby_w: taken by the inverter at rest
    """

    start_ms: int
    days: int
    clearness: Floats | float = 0.8
    cheap_wh: float = 0.0
    forced: bool = False
    standby_w: float = 0.0
    site: Site = field(default_factory=storage_site)
    temp_air: float = 15.0
    gives_back: Floats | float = 0.95
    home: Home = field(init=False)
    load_w: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.home = Home(self.site, self.start_ms, self.days, self.clearness, temp_air=self.temp_air, noise=0.006)
        self.home.awake[:] = True
        chance = np.random.default_rng(9)
        evening = np.exp(-(((self.hours - 18.5) / 2.0) ** 2))
        kettles = chance.gamma(0.4, 300.0, self.home.points)
        self.load_w = 230.0 + 900.0 * evening + np.minimum(kettles, 2500.0)

    @property
    def hours(self) -> Floats:
        """Of the day, UTC."""
        return np.asarray((self.home.times - self.start_ms) % DAY_MS / HOUR_MS)

    def flows(self) -> tuple[Floats, Floats, Floats, Floats]:
        """What goes into the battery and comes out of it [W DC], its state of charge, and AC output, signed [W]."""
        pv = np.sum([self.home.input_w(name) for name in self.site.inputs_of("inverter-1")], axis=0)
        count = self.home.points
        charge, give, held_share, ac = (np.zeros(count) for _ in range(4))
        back = np.broadcast_to(np.asarray(self.gives_back, dtype=np.float64), count)
        held, cheap = 0.3 * CAPACITY_WH, self.cheap_wh / 3.0 * EFFICIENCY  # over three hours
        hours = self.hours
        for n in range(count):
            room, left = 12.0 * (CAPACITY_WH - held), 12.0 * max(held - 0.05 * CAPACITY_WH, 0.0)
            if cheap and 0.5 <= hours[n] < 3.5:
                charge[n] = min(pv[n] + cheap, MOST_W, room)
            elif self.forced and 17.0 <= hours[n] < 18.0:
                give[n] = min(MOST_W, left * back[n], 3680.0 / EFFICIENCY - pv[n])
            else:
                spare = pv[n] - self.load_w[n] / EFFICIENCY
                if spare > 0.0:
                    charge[n] = min(spare, MOST_W, room)
                elif not (cheap and hours[n] < 3.5):
                    give[n] = min(-spare, MOST_W, left * back[n])
            held += (charge[n] - give[n] / back[n]) / 12.0
            held_share[n] = held / CAPACITY_WH
            dc = pv[n] + give[n] - charge[n]
            ac[n] = min(dc * EFFICIENCY, 3680.0) if dc > 0.0 else dc / EFFICIENCY
        ac = ac * (1.0 + 0.003 * np.random.default_rng(10).uniform(-1.0, 1.0, count))  # no control holds it still
        resting = (np.abs(ac) < 1.0) & (pv < 1.0)
        return charge, give, held_share, np.where(resting, -self.standby_w, ac)

    def raw(self) -> dict[str, Samples]:
        home = self.home
        charge, give, held, ac = self.flows()
        out, taken = np.maximum(ac, 0.0), np.maximum(-ac, 0.0)
        street = self.load_w - ac
        told = {
            "inverter-1.ac_power": np.round(ac),
            "inverter-1.ac_energy": _register(out, 10.0, 5e6),
            "inverter-1.battery_charge_energy": _register(charge, 10.0, 2e6),
            "inverter-1.battery_discharge_energy": _register(give, 10.0, 1.8e6),
            "inverter-1.state_of_charge": np.round(100.0 * held),
        }
        for meter in self.site.meters:
            counts = {
                MeterRole.GENERATION: out + (taken if meter.register is RegisterType.ADDS_BOTH else 0.0),
                MeterRole.IMPORT: np.maximum(street, 0.0),
                MeterRole.EXPORT: np.maximum(-street, 0.0),
                MeterRole.LOAD: self.load_w,
            }
            told[f"{meter.id}.energy_index"] = _register(counts[meter.role], meter.resolution_wh, 3e6)
        return home.raw() | {name: samples(home.times, column) for name, column in told.items()}


def _register(power_w: Floats, step_wh: float, start_wh: float) -> Floats:
    """What it shows in the middle of each interval, cut to its step."""
    energy = power_w / 12.0
    return np.floor((start_wh + np.cumsum(energy) - energy / 2.0) / step_wh) * step_wh


def from_day(home: StorageHome, day: int) -> Bools:
    return np.asarray(home.home.times >= home.start_ms + day * DAY_MS)
