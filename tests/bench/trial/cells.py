"""Panels as single-diode cells in strings, with bypassed substrings, at the point their inverter chooses.

Rule: unlike the PVWatts of watcher/expect. Each third of a module (a substring) follows De Soto's equation; where some
stand in the shade a string either drives them round by their bypass diodes or runs at their current, whichever gives
more. Evenly lit strings read their best point from a table solved once with pvlib.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pvlib

from watcher.align.window import Floats

DIODE_V = 0.5
SUBSTRINGS = 3
LIGHT = np.concatenate(([0.5, 2.0, 5.0], np.geomspace(10.0, 1500.0, 34)))
HEAT = np.arange(-25.0, 96.0, 5.0)

# One module of sixty cells in De Soto's terms (typical figures, from memory); scaled to its rating below.
ALPHA_A_PER_K, SLOPE_V, LIGHT_A, SATURATION_A, SHUNT_OHM, SERIES_OHM = 0.0048, 1.58, 9.85, 1.4e-10, 350.0, 0.28
GAP_EV, GAP_PER_K = 1.121, -0.0002677


@dataclass(frozen=True, slots=True)
class Table:
    """Best point of one module by light and heat. volts, amps: rows by LIGHT, columns by HEAT. stc_w: rated power"""

    volts: Floats
    amps: Floats
    stc_w: float


@lru_cache(maxsize=1)
def table() -> Table:
    light, heat = (grid.ravel() for grid in np.meshgrid(LIGHT, HEAT, indexing="ij"))
    best = pvlib.pvsystem.max_power_point(*_five(light, heat), method="newton")
    shape = (len(LIGHT), len(HEAT))
    rated = pvlib.pvsystem.max_power_point(*_five(np.array([1000.0]), np.array([25.0])), method="newton")
    return Table(
        np.asarray(best["v_mp"]).reshape(shape),
        np.asarray(best["i_mp"]).reshape(shape),
        float(np.asarray(rated["p_mp"])[0]),
    )


def _five(light: Floats, heat: Floats) -> tuple[Floats, ...]:
    """photocurrent, saturation_current, resistance_series, resistance_shunt, nNsVth"""
    found = pvlib.pvsystem.calcparams_desoto(
        light, heat, ALPHA_A_PER_K, SLOPE_V, LIGHT_A, SATURATION_A, SHUNT_OHM, SERIES_OHM, GAP_EV, GAP_PER_K
    )
    return tuple(np.broadcast_to(np.asarray(one, dtype=float), light.shape) for one in found)


def best_point(light: Floats, heat: Floats) -> tuple[Floats, Floats]:
    """Volts and amps of one evenly lit module at its best point; no light, no current."""
    known = table()
    x = np.interp(np.clip(light, LIGHT[0], LIGHT[-1]), LIGHT, np.arange(len(LIGHT)))
    y = np.clip((heat - HEAT[0]) / 5.0, 0.0, len(HEAT) - 1.001)
    row, column = np.minimum(x.astype(np.int64), len(LIGHT) - 2), y.astype(np.int64)
    u, v = x - row, y - column
    found = [
        (1 - u) * ((1 - v) * of[row, column] + v * of[row, column + 1])
        + u * ((1 - v) * of[row + 1, column] + v * of[row + 1, column + 1])
        for of in (known.volts, known.amps)
    ]
    dark = light < LIGHT[0]
    return np.where(dark, 0.0, found[0]), np.where(dark, 0.0, found[1])


def volts_at(amps: Floats, light: Floats, heat: Floats) -> Floats:
    """Voltage of one module that carries a current below its photocurrent (shunt left out: explicit)."""
    photo, saturation, series, _, slope = _five(light, heat)
    return np.maximum(slope * np.log(np.maximum((photo - amps) / saturation, 0.0) + 1.0) - amps * series, 0.0)


def open_circuit(light: Floats, heat: Floats) -> Floats:
    """Of one module [V]; 0 in the dark."""
    return np.where(light < LIGHT[0], 0.0, volts_at(np.zeros_like(light), np.maximum(light, LIGHT[0]), heat))


@dataclass(frozen=True, slots=True)
class Lit:
    """What one string of modules gets. lit, dim: light of its two parts [W/m2]; heat [degC]; dim_parts: how many of
    its substrings stand in the dim part; parts: how many it has that work."""

    lit: Floats
    dim: Floats
    heat: Floats
    dim_parts: Floats
    parts: Floats


def string_point(string: Lit, each_alone: bool) -> tuple[Floats, Floats]:
    """Volts and amps of one string. each_alone: every module has its own converter, so shade holds nothing back."""
    volts, amps = best_point(string.lit, string.heat)
    bright = np.maximum(string.parts - string.dim_parts, 0.0) / SUBSTRINGS
    shaded = np.minimum(string.dim_parts, string.parts) / SUBSTRINGS
    where = shaded > 0.0
    if not where.any():
        return bright * volts, amps
    dim_volts, dim_amps = best_point(string.dim[where], string.heat[where])
    b, s, v, a = bright[where], shaded[where], volts[where], amps[where]
    through = b * v - s * SUBSTRINGS * DIODE_V
    held_volts = b * volts_at(np.minimum(dim_amps, a), string.lit[where], string.heat[where]) + s * dim_volts
    if each_alone:
        power = b * v * a + s * dim_volts * dim_amps
        out = (b + s) * v, power / np.maximum((b + s) * v, 1e-9)
    else:
        rides = through * a >= held_volts * dim_amps
        out = np.where(rides, through, held_volts), np.where(rides, a, dim_amps)
    whole_volts, whole_amps = bright * volts, amps.copy()
    whole_volts[where], whole_amps[where] = np.maximum(out[0], 0.0), out[1]
    return whole_volts, whole_amps
