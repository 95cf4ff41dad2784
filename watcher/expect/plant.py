"""From light in the plane to power: module temperature, DC, inverter, AC limit. PVWatts version 5 in structure.

Rule: this is the healthy plant. Clipping at the inverter belongs to it; the site's export limit, snow and faults do
not: what they take away is for the detectors to explain.

Against the national laboratory's worked year (4 kW, Denver; tests/expect/test_worked_year.py) the annual DC and AC
energies of roof and rack mounting agree within 0.5 %.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pvlib

from watcher.align.window import Floats
from watcher.domain.site import Array, Conversion, Inverter, Mounting, Site, Storage

SYSTEM_LOSS = float(pvlib.pvsystem.pvwatts_losses(availability=0.0)) / 100.0
"""Share lost between modules and inverter: the PVWatts defaults (soiling 2, shading 3, mismatch 2, wiring 2,
connections 0.5, light 1.5, nameplate 1 %) without the 3 % for outages, which are what we watch for: 11.42 %."""

GAMMA_PER_K = -0.0037
"""Power coefficient of a module whose sheet nobody typed: the middle of crystalline silicon (-0.30 to -0.45 %/K)."""

INVERTER_EFFICIENCY = 0.96
"""Nominal, PVWatts; also the conversion loss taken off DC power where storage stands on the DC side."""

TEMP_AIR_DEFAULT = 12.0
"""Air temperature where none is known [degC]: a British day, year round (own choice); the band widens for it."""

WIND_DEFAULT_MS = 1.0

BOUND_TEMP_AIR = TEMP_AIR_DEFAULT - 10.0
"""Air temperature of the clear-sky bound [degC]: cold enough that a healthy plant stays under it."""

_FAIMAN_U0, _FAIMAN_U1 = 25.0, 6.84  # Faiman 2008, open rack: 45.1 degC at 800 W/m2, 20 degC, 1 m/s
_ROOF_RISE = 29.0 / (800.0 / (_FAIMAN_U0 + _FAIMAN_U1))  # PVWatts: installed NOCT 49 degC on a roof, 45 on a rack
_INSULATED = pvlib.temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]["insulated_back_glass_polymer"]

_CELL_ABOVE_BACK_K = {Mounting.ROOF: 1.0, Mounting.OPEN_RACK: 3.0, Mounting.INSULATED_BACK: 0.0}
"""Cell over back of module at 1000 W/m2, from the same SAPM table (King et al. 2004)."""


def cell_temperature(mounting: Mounting, poa: Floats, temp_air: Floats, wind_speed: Floats) -> Floats:
    """Cell temperature. [degC] NaN where an input is NaN.

    Open rack: Faiman with his own coefficients. Roof: the same with both coefficients lowered so that the installed
    NOCT is 49 degC instead of 45, as in PVWatts. Insulated back: SAPM (King et al. 2004).
    poa: in-plane irradiance [W/m2]. temp_air [degC]. wind_speed [m/s]
    """
    if mounting is Mounting.INSULATED_BACK:
        return np.asarray(pvlib.temperature.sapm_cell(poa, temp_air, wind_speed, **_INSULATED))
    rise = _ROOF_RISE if mounting is Mounting.ROOF else 1.0
    return np.asarray(pvlib.temperature.faiman(poa, temp_air, wind_speed, _FAIMAN_U0 / rise, _FAIMAN_U1 / rise))


def cell_from_back(mounting: Mounting, poa: Floats, temp_module: Floats) -> Floats:
    """Cell temperature from a sensor at the module's back. [degC]"""
    return temp_module + poa / 1000.0 * _CELL_ABOVE_BACK_K[mounting]


def array_dc(array: Array, effective: Floats, temp_cell: Floats, loss: float = SYSTEM_LOSS) -> Floats:
    """DC power of one array, before any inverter limit. [W] effective: irradiance behind the glass [W/m2]"""
    gamma = array.module.gamma_per_k if array.module.gamma_per_k is not None else GAMMA_PER_K
    power = pvlib.pvsystem.pvwatts_dc(effective, temp_cell, array.peak_power_w, gamma)
    return np.maximum(np.asarray(power) * (1.0 - loss), 0.0)


def inverter_ac(dc: Floats, ac_limit_w: float) -> Floats:
    """AC power of an inverter with this AC rating. [W] Part-load curve and clipping after PVWatts (Dobos 2014)."""
    rated_dc = ac_limit_w / INVERTER_EFFICIENCY
    # Below 0.6 % of the rating the curve gives nothing; far below, its quotient overflows.
    dc = np.where(dc < 1e-3 * rated_dc, 0.0, dc)
    return np.asarray(pvlib.inverter.pvwatts(dc, rated_dc, INVERTER_EFFICIENCY))


def power_by_subject(site: Site, dc_of_array: Mapping[str, Floats]) -> dict[str, Floats]:
    """What inputs (DC), inverters (AC) and the site ("site", see module storage) make of the arrays' DC power. [W]"""
    by_subject: dict[str, Floats] = {}
    site_power: Floats | None = None
    for inverter in site.inverters:
        inputs = site.inputs_of(inverter.id)
        if not inputs:
            continue  # a battery's inverter: nothing to expect from the sun
        dc_of_input = _inputs(site, inverter, inputs, dc_of_array)
        by_subject.update(dc_of_input)
        by_subject[inverter.id] = _inverter(site, inverter, dc_of_array)
        if inverter.storage is Storage.DC:
            # Between modules and battery the AC limit does not apply; what is judged is pv_power.
            power = INVERTER_EFFICIENCY * np.sum(list(dc_of_input.values()), axis=0)
        else:
            power = by_subject[inverter.id]
        site_power = power if site_power is None else site_power + power
    if site_power is not None:
        by_subject["site"] = site_power
    return by_subject


def _inputs(
    site: Site, inverter: Inverter, inputs: tuple[str, ...], dc_of_array: Mapping[str, Floats]
) -> dict[str, Floats]:
    """DC power at each input. While the inverter clips it holds its inputs back, all by the same share."""
    found = {
        input: np.sum([_held_by_units(array, dc_of_array[array.id]) for array in site.arrays_at(input)], axis=0)
        for input in inputs
    }
    if inverter.storage is Storage.DC:
        return found
    most = inverter.ac_limit_w / INVERTER_EFFICIENCY
    total = np.sum(list(found.values()), axis=0)
    share = np.minimum(1.0, most / np.maximum(total, most))
    return {input: power * share for input, power in found.items()}


def _inverter(site: Site, inverter: Inverter, dc_of_array: Mapping[str, Floats]) -> Floats:
    """AC power: string arrays through the one inverter, micro-inverters each for itself, the sum within the rating."""
    shared: list[Floats] = []
    separate: list[Floats] = []
    for array in site.arrays_of(inverter.id):
        units = unit_count(array)
        if units and array.unit_limit_w is not None:
            separate.append(units * inverter_ac(dc_of_array[array.id] / units, array.unit_limit_w))
        else:
            shared.append(dc_of_array[array.id])
    power = [inverter_ac(np.sum(shared, axis=0), inverter.ac_limit_w)] if shared else []
    total: Floats = np.sum(power + separate, axis=0)
    return np.minimum(total, inverter.ac_limit_w)


def unit_count(array: Array) -> int:
    """How many micro-inverters serve an array: one a module. 0 where there are none or nobody can tell."""
    if array.conversion is not Conversion.MICRO or array.unit_limit_w is None:
        return 0
    if array.modules_in_series is not None:
        return array.modules_in_series * array.parallel_strings
    if array.module.vmp_v and array.module.imp_a:
        return max(1, round(array.peak_power_w / (array.module.vmp_v * array.module.imp_a)))
    return 0


def _held_by_units(array: Array, dc: Floats) -> Floats:
    units = unit_count(array)
    if not units or array.unit_limit_w is None:
        return dc
    return np.minimum(dc, units * array.unit_limit_w / INVERTER_EFFICIENCY)


def rating_w(site: Site, subject: str) -> float:
    """The rated power of a subject of power_by_subject. [W]"""
    if subject == "site":
        return sum(rating_w(site, inverter.id) for inverter in site.inverters if site.inputs_of(inverter.id))
    if "." in subject:
        return sum(array.peak_power_w for array in site.arrays_at(subject))
    return site.inverter(subject).ac_limit_w
