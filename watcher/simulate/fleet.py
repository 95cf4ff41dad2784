"""A fleet of homes with nothing installed: what is on each roof, what somebody wrote of it, what goes wrong and when.

Rule: drawn by lot from a seed, the same each time. What stands here is the truth; the papers beside it are what the
installer's spreadsheet says, with the mistakes of such spreadsheets.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from watcher.domain.instant import DAY_MS, parse_iso
from watcher.simulate.fleet_roof import FleetFault, FleetPlane, FleetRoof
from watcher.simulate.fleet_sky import Cell

BEGIN_MS = parse_iso("2015-01-01T00:00:00Z")
END_MS = parse_iso("2025-01-01T00:00:00Z")
REGIONS = ((53.4, -2.3), (51.6, -1.1), (55.9, -3.8))
"""Middles of three regions [degrees]: the north-west, the Thames, the Central Belt."""

CELLS_A_REGION = 4
HALF_DEAD, STOPPED = 8, 3


@dataclass(frozen=True, slots=True)
class PaperArray:
    """What the spreadsheet says of a plane. from_ms: since when, 0 for always"""

    tilt_deg: float
    azimuth_deg: float
    peak_w: float
    inverter: int
    from_ms: int = 0


@dataclass(frozen=True, slots=True)
class FleetHome:
    """limits_w: on file, by inverter. exchanges: (instant, inverter, its new rating) on file. meter_exchange_ms: or 0

    gross: what is badly wrong in the papers ("", "rating", "direction", "extension")
    """

    id: str
    cell: Cell
    latitude_deg: float
    longitude_deg: float
    roof: FleetRoof
    papers: tuple[PaperArray, ...]
    limits_w: tuple[float, ...]
    exchanges: tuple[tuple[int, int, float], ...] = ()
    fault: FleetFault | None = None
    decimals: int = 0
    index_kwh: float = 0.0
    meter_exchange_ms: int = 0
    gross: str = ""
    rate_pence: float = 0.0
    tags: tuple[str, ...] = field(default=())


def draw_cells(rng: np.random.Generator) -> tuple[Cell, ...]:
    return tuple(
        Cell(f"cell-{n}{'abcd'[m]}", n, round(lat + rng.uniform(-0.4, 0.4), 2), round(lon + rng.uniform(-0.6, 0.6), 2))
        for n, (lat, lon) in enumerate(REGIONS)
        for m in range(CELLS_A_REGION)
    )


def draw_fleet(
    count: int, rng: np.random.Generator, half_dead: int = HALF_DEAD, stopped: int = STOPPED
) -> tuple[tuple[Cell, ...], tuple[FleetHome, ...]]:
    """Homes in some cells; the faults fall on some of them by lot."""
    cells = draw_cells(rng)
    homes = [_home(f"home-{n + 1:03d}", cells[int(rng.integers(len(cells)))], rng) for n in range(count)]
    chosen = rng.permutation(count)[: half_dead + stopped]
    for n, place in enumerate(chosen):
        home = homes[place]
        at_ms = _some_time(rng, 0.1, 0.97)
        fault = _half_dead(home, at_ms, rng) if n < half_dead else _stopped(at_ms, rng)
        homes[place] = replace(home, fault=fault)
    return cells, tuple(homes)


def _some_time(rng: np.random.Generator, low: float = 0.05, high: float = 0.95) -> int:
    return BEGIN_MS + int(rng.uniform(low, high) * (END_MS - BEGIN_MS)) // 60_000 * 60_000


def _home(id: str, cell: Cell, rng: np.random.Generator) -> FleetHome:
    roof = _roof(rng)
    papers = [
        PaperArray(
            tilt_deg=float(np.clip(round((one.tilt_deg + rng.normal(0.0, 4.0)) / 5) * 5, 5, 60)),
            azimuth_deg=float(round((one.azimuth_deg + rng.normal(0.0, 8.0)) / 5) * 5 % 360),
            peak_w=round(one.peak_w * rng.normal(1.0, 0.01), -1),
            inverter=one.inverter,
        )
        for one in roof.planes
    ]
    gross = ""
    lot = rng.random()
    if lot < 0.06:
        gross, share = "rating", float(rng.choice([0.72, 1.3, 1.4]))
        papers = [replace(one, peak_w=round(one.peak_w * share, -1)) for one in papers]
    elif lot < 0.09:
        gross = "direction"
        papers = [replace(one, azimuth_deg=(one.azimuth_deg + 90.0) % 360.0) for one in papers]
    limits = roof.limits_w
    tags: list[str] = []
    if rng.random() < 0.08:  # panels added later
        at_ms, more_w = _some_time(rng), round(float(rng.uniform(0.25, 0.6)) * roof.planes[0].peak_w, -1)
        own = replace(roof.planes[0], peak_w=more_w, from_ms=at_ms, inverter=len(roof.limits_w))
        roof = replace(roof, planes=(*roof.planes, own), limits_w=(*roof.limits_w, more_w))
        if gross == "" and rng.random() < 0.25:
            gross = "extension"
        else:
            first = papers[0]
            papers.append(PaperArray(first.tilt_deg, first.azimuth_deg, more_w, own.inverter, at_ms))
            limits = (*limits, more_w)
        tags.append("extension")
    exchanges: tuple[tuple[int, int, float], ...] = ()
    off = [_outage(rng) for _ in range(rng.poisson(1.2))]
    if rng.random() < 0.2:
        at_ms = _some_time(rng)
        off.append((at_ms - int(rng.uniform(3, 40)) * DAY_MS, at_ms))
        new_w = round(limits[0] * float(rng.choice([1.0, 1.0, 0.92, 1.1])), -1)
        exchanges = ((at_ms, 0, new_w),)
        changed = (*roof.efficiencies, (at_ms, float(rng.normal(1.01, 0.01))))
        roof = replace(roof, efficiencies=changed, limits_w=(new_w, *roof.limits_w[1:]))
        tags.append("inverter-exchange")
    decimals = int(rng.choice([0, 0, 1]))
    exchange_ms = _some_time(rng) if rng.random() < 0.07 else 0
    tags += ["meter-exchange"] if exchange_ms else []
    return FleetHome(
        id=id,
        cell=cell,
        latitude_deg=round(cell.latitude_deg + rng.uniform(-0.04, 0.04), 4),
        longitude_deg=round(cell.longitude_deg + rng.uniform(-0.05, 0.05), 4),
        roof=replace(roof, off=tuple(off)),
        papers=tuple(papers),
        limits_w=limits,
        exchanges=exchanges,
        decimals=decimals,
        index_kwh=float(rng.choice([rng.uniform(0, 3000), rng.uniform(2000, 30000), rng.uniform(70000, 95000)])),
        meter_exchange_ms=exchange_ms,
        gross=gross,
        rate_pence=float(rng.choice([0.0, 15.4, 47.6, 56.2])),
        tags=tuple(tags),
    )


def _roof(rng: np.random.Generator) -> FleetRoof:
    tilt, azimuth = float(rng.uniform(20.0, 45.0)), float(rng.uniform(115.0, 250.0))
    peak = float(rng.uniform(1800.0, 4200.0))
    horizon: tuple[tuple[float, float, float], ...] = ()
    if rng.random() < 0.5:
        middle = float(rng.uniform(100.0, 260.0))
        width = float(rng.uniform(10.0, 40.0))
        horizon = ((middle - width, middle + width, float(rng.uniform(6.0, 24.0))),)
    kind = rng.random()
    if kind < 0.55:
        planes, inverters = [(azimuth, peak, 0)], 1
    elif kind < 0.8:
        planes, inverters = [(azimuth - 60.0, 0.6 * peak, 0), (azimuth + 60.0, 0.5 * peak, 0)], 1
    else:
        planes, inverters = [(azimuth, peak, 0), (azimuth + 20.0, 0.9 * peak, 1)], 2
    ratio = float(rng.uniform(0.95, 1.25))
    sums = [sum(w for _, w, n in planes if n == k) for k in range(inverters)]
    return FleetRoof(
        planes=tuple(FleetPlane(tilt, at % 360.0, round(w, -1), n, horizon=horizon) for at, w, n in planes),
        limits_w=tuple(round(w / ratio, -1) for w in sums),
        strength=float(np.clip(rng.normal(0.98, 0.03), 0.9, 1.06)),
        fading=float(np.clip(rng.normal(0.006, 0.003), 0.0, 0.014)),
        growth=0.012 if rng.random() < 0.08 else 0.0,
    )


def _outage(rng: np.random.Generator) -> tuple[int, int]:
    """A breaker that somebody put back days or weeks later."""
    at_ms = _some_time(rng, 0.0, 0.99)
    return at_ms, at_ms + int(np.clip(rng.lognormal(1.2, 1.0), 0.3, 35.0) * DAY_MS)


def _half_dead(home: FleetHome, at_ms: int, rng: np.random.Generator) -> FleetFault:
    """One of two strings, one plane of two, or one inverter of two."""
    planes, inverters = home.roof.planes, len(home.roof.limits_w)
    if inverters >= 2 and "extension" not in home.tags:
        return FleetFault("inverter-dead", at_ms, inverters=(0.0, 1.0))
    if len(planes) == 1 or planes[0].azimuth_deg == planes[1].azimuth_deg:
        return FleetFault("string-dead", at_ms, planes=tuple(0.5 for _ in planes))
    dead = int(rng.integers(2))
    return FleetFault("plane-dead", at_ms, planes=tuple(0.0 if n == dead else 1.0 for n in range(len(planes))))


def _stopped(at_ms: int, rng: np.random.Generator) -> FleetFault:
    """A register that stands still, or nearly."""
    return FleetFault("meter-stopped", at_ms, counted=0.0 if rng.random() < 0.7 else 0.03)
