"""What the roofs of a fleet made, hour by hour over years, and what their meters counted.

Rule: physics of its own, as roof.py and plant.py, in columns. What is wrong is a share of each plane that still works
and a share that the meter still counts; without them the same code is the healthy twin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.domain.instant import DAY_MS
from watcher.simulate.fleet_sky import CellSky
from watcher.simulate.roof import ALBEDO, KEPT, NOCT_C

GAMMA_PER_K = -0.0039
BROKEN_SWING = 0.3
"""In an hour of broken cloud the clearness swings by this much to either side of its mean."""


@dataclass(frozen=True, slots=True)
class FleetPlane:
    """tilt_deg, azimuth_deg, peak_w: what is on the roof. from_ms, until_ms: when it is there.

    horizon: (azimuth from, to, height of what stands there) [degrees]
    """

    tilt_deg: float
    azimuth_deg: float
    peak_w: float
    inverter: int = 0
    from_ms: int = 0
    until_ms: int = 2**62
    horizon: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class FleetRoof:
    """limits_w: AC rating by inverter. strength: real over nominal power when new. fading: share a year.

    growth: lichen, share a year from the fifth year on. efficiencies: of each inverter, (from instant, share kept)
    off: stretches in which the whole plant stood still [ms]
    """

    planes: tuple[FleetPlane, ...]
    limits_w: tuple[float, ...]
    strength: float = 1.0
    fading: float = 0.005
    growth: float = 0.0
    efficiencies: tuple[tuple[int, float], ...] = ()
    off: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class FleetFault:
    """planes, inverters: share of each that still works from from_ms to until_ms; counted: of what the meter counts."""

    kind: str
    from_ms: int
    until_ms: int = 2**62
    planes: tuple[float, ...] = ()
    inverters: tuple[float, ...] = ()
    counted: float = 1.0


def made_wh(
    roof: FleetRoof, sky: CellSky, fault: FleetFault | None, dirt: Floats
) -> Floats:  # fmt: skip
    """AC energy of each hour. [Wh] dirt: share of light lost to everyday dirt, by hour"""
    lit = np.flatnonzero(sky.elevation_deg > 0.0)
    begins = sky.hour_ending_ms[lit] - 3_600_000
    broken = fault is not None
    inside = (begins >= fault.from_ms) & (begins < fault.until_ms) if fault else np.zeros(len(lit), dtype=bool)
    age = (begins - begins[0]) / (365.25 * DAY_MS)
    kept = roof.strength * (1.0 - roof.fading * age) * (1.0 - roof.growth * np.maximum(age - 4.0, 0.0))
    kept *= 1.0 - dirt[lit]
    swing = _swing(sky, lit)
    total = np.zeros(len(lit))
    for sign in (-1.0, 1.0):
        dc = [np.zeros(len(lit)) for _ in roof.limits_w]
        for n, plane in enumerate(roof.planes):
            there = (begins >= plane.from_ms) & (begins < plane.until_ms)
            power = _plane_dc(plane, sky, lit, 1.0 + sign * swing) * kept * there
            if broken and fault is not None and fault.planes:
                power = power * np.where(inside, fault.planes[n], 1.0)
            dc[plane.inverter] += power
        for n, limit_w in enumerate(roof.limits_w):
            ac = _inverter(dc[n], limit_w)
            if broken and fault is not None and fault.inverters:
                ac = ac * np.where(inside, fault.inverters[n], 1.0)
            total += 0.5 * ac
    for from_ms, share in roof.efficiencies:
        total *= np.where(begins >= from_ms, share, 1.0)
    total *= ~_any(begins, roof.off)
    found = np.zeros(len(sky.ghi))
    found[lit] = total
    return found


def counted_wh(made: Floats, sky: CellSky, fault: FleetFault | None) -> Floats:
    """What the meter counts of it. [Wh]"""
    if fault is None or fault.counted >= 1.0:
        return made
    begins = sky.hour_ending_ms - 3_600_000
    return np.where((begins >= fault.from_ms) & (begins < fault.until_ms), fault.counted, 1.0) * made


def everyday_dirt(hours: int, rng: np.random.Generator) -> Floats:
    """Share of light lost: it gathers by the day and rain takes it off, more or less."""
    days = hours // 24
    rain = rng.random(days) < 0.3
    gain = rng.uniform(0.0003, 0.0012, days)
    dirt, now = np.empty(days), 0.02
    for day in range(days):
        now = now * (0.35 if rain[day] else 1.0) + float(gain[day])
        dirt[day] = min(now, 0.06)
    return dirt.repeat(24)


def _any(begins: Ints, stretches: tuple[tuple[int, int], ...]) -> Bools:
    found = np.zeros(len(begins), dtype=bool)
    for from_ms, until_ms in stretches:
        found |= (begins >= from_ms) & (begins < until_ms)
    return found


def _swing(sky: CellSky, lit: Ints) -> Floats:
    clearness = sky.ghi[lit] / np.maximum(sky.clear[lit], 1.0)
    return np.asarray(BROKEN_SWING * np.exp(-(((clearness - 0.6) / 0.25) ** 2)))


def _plane_dc(plane: FleetPlane, sky: CellSky, lit: Ints, share: Floats) -> Floats:
    """Hay, Davies, Klucher and Reindl as in roof.py; glass by the one-parameter form. [W]"""
    elevation, azimuth = np.radians(sky.elevation_deg[lit]), sky.azimuth_deg[lit]
    tilt = np.radians(plane.tilt_deg)
    turn = np.radians(azimuth - plane.azimuth_deg)
    cosine = np.maximum(np.cos(tilt) * np.sin(elevation) + np.sin(tilt) * np.cos(elevation) * np.cos(turn), 0.0)
    ghi, dni, dhi = sky.ghi[lit], sky.dni[lit] * share, sky.dhi[lit]
    for low, high, height in plane.horizon:
        hidden = (azimuth >= low) & (azimuth <= high) & (sky.elevation_deg[lit] < height)
        dni = np.where(hidden, 0.15 * dni, dni)
    sine = np.sin(elevation)
    anisotropy = np.minimum(dni / sky.extra_dni[lit], 1.0)
    beam = dni * sine
    ratio = cosine / np.maximum(sine, 0.035)
    brighter = 1.0 + np.sqrt(np.clip(beam / np.maximum(ghi, 1.0), 0.0, 1.0)) * np.sin(tilt / 2.0) ** 3
    disc = (beam + dhi * anisotropy) * np.minimum(ratio, 12.0)
    rest = dhi * (1.0 - anisotropy) * (1.0 + np.cos(tilt)) / 2.0 * brighter
    rest = rest + ghi * ALBEDO * (1.0 - np.cos(tilt)) / 2.0
    glass = np.where(cosine > 0.05, np.maximum(0.0, 1.0 - 0.05 * (1.0 / np.maximum(cosine, 0.05) - 1.0)), 0.0)
    light = disc * glass + 0.95 * rest
    cell = sky.temp_air[lit] + (NOCT_C - 20.0) / 800.0 * light * 9.5 / (5.7 + 3.8 * sky.wind[lit])
    bend = 1.0 + GAMMA_PER_K * (cell - 25.0) + 0.022 * np.log(np.maximum(light, 1.0) / 1000.0)
    return np.asarray(plane.peak_w * light / 1000.0 * np.maximum(bend, 0.0) * KEPT)


def _inverter(dc: Floats, limit_w: float) -> Floats:
    """As plant.ac_from_dc: a standing loss, a share, one that grows with the square; then the limit. [W]"""
    ac = dc - 0.0033 * limit_w - 0.016 * dc - 0.010 * dc * dc / limit_w
    return np.clip(ac, 0.0, limit_w)
