"""One UTC day's expectation of a site, for everything at it that makes power.

Rule: always a whole UTC day, whatever part of it is filled, so that a live run and a replay do the same arithmetic
on the same numbers and agree to the last bit. Inputs are read, never written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from watcher.align.window import Bools, Floats, Window
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY
from watcher.domain.model import Model
from watcher.domain.site import Array, Site
from watcher.expect.band import band, log_width
from watcher.expect.choose import Reference, choose
from watcher.expect.expectation import Basis, Expectation, Expected
from watcher.expect.geometry import Sky, sky_of_day
from watcher.expect.irradiance import clear_plane, transpose
from watcher.expect.learned import corrected
from watcher.expect.plant import (
    BOUND_TEMP_AIR,
    SYSTEM_LOSS,
    TEMP_AIR_DEFAULT,
    WIND_DEFAULT_MS,
    array_dc,
    cell_from_back,
    cell_temperature,
    power_by_subject,
    rating_w,
)

NIGHT_DEG = -1.0
"""With the sun lower than this the plant makes nothing, and no reference is needed to know it."""

OVER_BOUND = 1.15
"""A reference that is no sensor on site can't promise more than this times the clear sky."""


@dataclass(frozen=True, slots=True)
class _Lit:
    """One array under the day's light. width: see band.log_width"""

    poa: Floats
    dc: Floats
    clear_poa: Floats
    clear_dc: Floats
    width: Floats


def expect_day(
    site: Site,
    window: Window,
    day_start_ms: int,
    *,
    loss: float = SYSTEM_LOSS,
    models: Mapping[str, Model] | None = None,
) -> Expected:
    """What the sun and the equipment allowed on one UTC day, 288 intervals.

    day_start_ms: a midnight UTC; ValueError for another instant. The window may begin and end anywhere.
    loss: share lost between modules and inverter. models: by inverter, the correction that is in force on that day
    """
    if day_start_ms % DAY_MS:
        raise ValueError(f"{day_start_ms} is no midnight UTC")
    sky = sky_of_day(site.latitude_deg, site.longitude_deg, site.altitude_m, day_start_ms)
    reference = choose(site, window, sky, day_start_ms)
    night = sky.elevation_deg < NIGHT_DEG
    # By night the answer is known whatever a reference says, so it hangs on none: it must not wait for one either.
    basis = np.where(night, Basis.NONE, reference.basis).astype(np.int8)
    ends = day_start_ms + GRID_MS * np.arange(1, POINTS_A_DAY + 1, dtype=np.int64)
    lit = {array.id: _light(array, sky, reference, night, loss) for array in site.arrays}
    found = Expected(
        sun_elevation_deg=sky.elevation_deg.copy(),
        sun_azimuth_deg=sky.azimuth_deg.copy(),
        basis=basis,
        known_ms=np.where(night, ends, reference.known_ms),
        temp_air=reference.temp_air,
        by_subject=_expectations(site, lit, basis, night),
        poa_wm2={id: one.poa for id, one in lit.items()},
        clear_poa_wm2={id: one.clear_poa.copy() for id, one in lit.items()},
    )
    return _corrected(site, found, lit, night, models) if models else found


def _corrected(
    site: Site, found: Expected, lit: Mapping[str, _Lit], night: Bools, models: Mapping[str, Model]
) -> Expected:
    """The same with what was learned of its inverters. It acts on the arrays' DC power: limits still hold."""
    limits = {inverter: model.limit_w for inverter, model in models.items() if model.limit_w}
    by_subject = _expectations(site, lit, found.basis, night, limits) if limits else found.by_subject
    changed, plain = dict(lit), {}
    for inverter, model in models.items():
        one = by_subject[inverter]
        plain[inverter] = one.expected
        factor, wider = corrected(
            model, found.basis, found.sun_elevation_deg, found.sun_azimuth_deg, one.expected, one.bound,
            found.temp_air, found.known_ms,
        )  # fmt: skip
        for array in site.arrays_of(inverter):
            own = lit[array.id]
            changed[array.id] = replace(own, dc=own.dc * factor, width=own.width + wider)
    return replace(
        found,
        by_subject=_expectations(site, changed, found.basis, night, limits),
        uncorrected=plain,
        model_ids=tuple(model.id for model in models.values()),
    )


def _light(array: Array, sky: Sky, reference: Reference, night: Bools, loss: float) -> _Lit:
    key = (array.tilt_deg, array.azimuth_deg)
    under = clear_plane(sky, *key)
    found = transpose(under.plane, reference.light)
    own = reference.in_plane.get(key, np.full(len(night), np.nan))
    in_own_plane = np.isfinite(own)
    total = np.where(in_own_plane, own, found.total)
    # A sensor in the plane knows the total; which share of it passes the glass is the model's to say.
    passed = np.divide(found.effective, found.total, out=np.ones_like(total), where=found.total > 0)
    down = sky.elevation_deg <= 0.0
    total = np.where(night | (down & np.isfinite(total)), 0.0, total)

    # What neighbours tell was led back from their output as if at the same air and wind: heat is in it already.
    peers = reference.basis == Basis.PEERS
    assumed = np.isnan(reference.temp_air) & ~peers
    wind = np.where(np.isnan(reference.wind_speed) | peers, WIND_DEFAULT_MS, np.maximum(reference.wind_speed, 0.0))
    air = np.where(assumed | peers, TEMP_AIR_DEFAULT, reference.temp_air)
    cell = cell_temperature(array.mounting, total, air, wind)
    back = reference.temp_module.get(array.id)
    if back is not None:
        cell = np.where(np.isnan(back), cell, cell_from_back(array.mounting, total, back))
        assumed = assumed & np.isnan(back)

    cold, still = np.full(len(night), BOUND_TEMP_AIR), np.full(len(night), WIND_DEFAULT_MS)
    clear = under.clear
    clear_cell = cell_temperature(array.mounting, clear.total, cold, still)
    clearness = np.divide(reference.light.ghi, sky.ghi, out=np.ones_like(total), where=sky.ghi > 0)
    return _Lit(
        poa=total,
        dc=array_dc(array, total * passed, cell, loss),
        clear_poa=clear.total,
        clear_dc=array_dc(array, clear.effective, clear_cell, loss),
        width=log_width(reference.basis, sky.elevation_deg, clearness, in_own_plane, assumed),
    )


def _held(site: Site, power: dict[str, Floats], limits: Mapping[str, float]) -> dict[str, Floats]:
    """The same with inverters held at ceilings under their rating, and their inputs by the same share. [W]"""
    for inverter, limit_w in limits.items():
        free = power[inverter]
        share = limit_w / np.maximum(free, limit_w)
        power |= {input: power[input] * share for input in site.inputs_of(inverter)}
        power |= {inverter: free * share, "site": power["site"] - free * (1.0 - share)}
    return power


def _expectations(
    site: Site,
    lit: Mapping[str, _Lit],
    basis: npt.NDArray[np.int8],
    night: Bools,
    limits: Mapping[str, float] = MappingProxyType({}),
) -> dict[str, Expectation]:
    """limits: AC power of inverters that have a ceiling under their rating [W]"""
    power = _held(site, power_by_subject(site, {id: one.dc for id, one in lit.items()}), limits)
    bounds = _held(site, power_by_subject(site, {id: one.clear_dc for id, one in lit.items()}), limits)
    found = {}
    for subject, bound in bounds.items():
        capped = np.where(basis == Basis.MEASURED, power[subject], np.minimum(power[subject], OVER_BOUND * bound))
        width = _mean_width([lit[array.id] for array in site.arrays if _belongs(array, subject)])
        low, high = band(capped, width, rating_w(site, subject))
        dark = night | ((bound == 0.0) & (capped == 0.0))
        found[subject] = Expectation(
            expected=np.where(night, 0.0, capped),
            low=np.where(dark, 0.0, low),
            high=np.where(dark, 0.0, high),
            bound=bound,
        )
    return found


def _belongs(array: Array, subject: str) -> bool:
    return subject in ("site", array.inverter, array.input)


def _mean_width(arrays: Sequence[_Lit]) -> Floats:
    """The arrays' widths, each by its share of the power; the sky errs for all of them alike."""
    weights = np.maximum([one.clear_dc for one in arrays], 1e-9)
    mean: Floats = np.sum(weights * [one.width for one in arrays], axis=0) / np.sum(weights, axis=0)
    return mean


def join(days: Sequence[Expected]) -> Expected:
    """Consecutive days as one. ValueError for none.

    A subject or array that a day does not have (the site changed) is NaN there, its bound 0.
    """
    if not days:
        raise ValueError("no days to join")
    lengths = [len(day.basis) for day in days]

    def missing(points: int) -> Expectation:
        nothing = np.full(points, np.nan)
        return Expectation(nothing, nothing, nothing, np.zeros(points))

    def subject(name: str, part: Callable[[Expectation], Floats]) -> Floats:
        each = (day.by_subject.get(name) or missing(points) for day, points in zip(days, lengths, strict=True))
        return np.concatenate([part(one) for one in each])

    def light(name: str, part: Callable[[Expected], Mapping[str, Floats]]) -> Floats:
        each = zip(days, lengths, strict=True)
        return np.concatenate([part(day).get(name, np.full(points, np.nan)) for day, points in each])

    return Expected(
        sun_elevation_deg=np.concatenate([day.sun_elevation_deg for day in days]),
        sun_azimuth_deg=np.concatenate([day.sun_azimuth_deg for day in days]),
        basis=np.concatenate([day.basis for day in days]),
        known_ms=np.concatenate([day.known_ms for day in days]),
        temp_air=np.concatenate([day.temp_air for day in days]),
        by_subject={
            name: Expectation(
                expected=subject(name, lambda one: one.expected),
                low=subject(name, lambda one: one.low),
                high=subject(name, lambda one: one.high),
                bound=subject(name, lambda one: one.bound),
            )
            for name in _names(day.by_subject for day in days)
        },
        poa_wm2={name: light(name, lambda day: day.poa_wm2) for name in _names(day.poa_wm2 for day in days)},
        clear_poa_wm2={
            name: light(name, lambda day: day.clear_poa_wm2) for name in _names(day.clear_poa_wm2 for day in days)
        },
        uncorrected={
            name: light(name, lambda day: day.uncorrected) for name in _names(day.uncorrected for day in days)
        },
        model_ids=_names(day.model_ids for day in days),
    )


def _names(mappings: Iterable[Iterable[str]]) -> tuple[str, ...]:
    """Every name, in the order of first appearance."""
    return tuple(dict.fromkeys(name for names in mappings for name in names))
