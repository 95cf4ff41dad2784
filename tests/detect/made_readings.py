"""Readings for the tests of what readings alone tell: a site, an even sun, quarters, and what went wrong in them."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np

from watcher.align.typed import Change, MeterLife, TypedReading
from watcher.align.window import Floats
from watcher.domain.instant import DAY_MS, HOUR_MS, parse_iso
from watcher.domain.site import Array, Inverter, Meter, MeterRole, Site, SiteRecord
from watcher.expect.past_energy import PastEnergy

BEGIN_MS = parse_iso("2015-01-01T00:00:00Z")
QUARTER_MS = 91 * DAY_MS + 6 * HOUR_MS
QUARTERS = 40
SOUTH = Array("south", 35.0, 180.0, 4000.0, "inverter-1.input-1")


def record(*arrays: Array, meter: Meter | None = None) -> SiteRecord:
    site = Site("home-1", "Home", 53.5, -2.2, 60.0, ZoneInfo("Europe/London"))
    found = meter or Meter("meter-1", MeterRole.GENERATION, ("inverter-1",), decimals=0)
    return SiteRecord(site, arrays or (SOUTH,), (Inverter("inverter-1", 3680.0),), (found,))


def life(*changes: Change, of: SiteRecord | None = None) -> MeterLife:
    return MeterLife(of or record(), "meter-1", changes)


def energy(years: float = 10.0, kwh_a_year: float = 3500.0) -> PastEnergy:
    """A sun with a season, the same each year."""
    hours = round(years * 365.25 * 24)
    day = np.arange(hours) / 24.0
    shape = 1.0 - 0.75 * np.cos(2.0 * np.pi * (day + 10.0) / 365.25)
    each = kwh_a_year * 1000.0 / (365.25 * 24.0) * shape
    sums = np.concatenate(([0.0], np.cumsum(each)))
    return PastEnergy(BEGIN_MS, sums, 1.8 * sums, 1.8 * sums)


def shares(noise: float = 0.03, seed: int = 1, quarters: int = QUARTERS - 1) -> Floats:
    """Made over expected, quarter by quarter, of a healthy site."""
    return 0.95 - 0.0015 * np.arange(quarters) + np.random.default_rng(seed).normal(0.0, noise, quarters)


def at(quarter: float) -> int:
    return BEGIN_MS + round(quarter * QUARTER_MS)


def read(share: Sequence[float] | Floats, of: PastEnergy, first_kwh: float = 1200.0) -> list[TypedReading]:
    """Readings at quarter ends that make these shares of the expectation, in whole kWh."""
    ends = np.array([at(n) for n in range(len(share) + 1)], dtype=np.int64)
    made = of.between(ends[:-1], ends[1:]).expected * np.asarray(share)
    index = np.floor(first_kwh + np.concatenate(([0.0], np.cumsum(made))) / 1000.0)
    return [typed(int(when), float(kwh)) for when, kwh in zip(ends, index, strict=True)]


def typed(at_ms: int, kwh: float) -> TypedReading:
    return TypedReading("meter-1", at_ms, kwh * 1000.0, typed=f"{kwh:g}", typed_wh=kwh * 1000.0)
