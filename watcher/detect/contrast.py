"""What each input of plain strings makes beside the others, day by day: the measures that string findings rest on.

Rule: an input is held against its own expectation, and that against the others' own: what the sky's reference says
wrong it says of all, so it cancels. Planes that agree need no reference at all. Intervals in which an inverter holds
its inputs back, or an input carries nothing, are left out; they are for others to tell of. Voltage is taken where it
can only be high (85th percentile of the well-lit intervals): a chimney bypasses cells at some hours, a fault all day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import hypot, isnan, log, nan, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from watcher.align.window import Bools, Floats
from watcher.detect.energy_sides import Sides
from watcher.detect.scene import Scene
from watcher.detect.settled import Settling
from watcher.detect.states import State as Operating
from watcher.domain.instant import GRID_MS, HOUR_MS
from watcher.domain.site import Conversion, Site, Storage
from watcher.expect.band import day_sigma
from watcher.expect.expectation import Basis
from watcher.expect.plant import GAMMA_PER_K, TEMP_AIR_DEFAULT

USUAL_STRING_V = 350.0
"""Stands in for a string's voltage where no module is on file."""

SIGMA_ALIKE = 0.03
SIGMA_APART = {Basis.MEASURED: 0.08, Basis.SATELLITE: 0.08, Basis.WEATHER: 0.1, Basis.PEERS: 0.1, Basis.NONE: 0.12}
"""Standard deviation of a day's contrast: of planes that agree, and of others by the reference (own study)."""

LOW_SUN_DEG = 10.0
UNDER_LIMIT = 0.96
NOTHING, FLOWING = 0.02, 0.04
"""Of the rated current: up to the one is none, above the other flows."""

BY_DIRECTION = 0.25
"""Of the range of a day's thirds, what its whole may err by."""

LOADED = 0.2
VOLTS_AT = 0.85
FEWEST = 12
"""Intervals of an hour; fewer tell nothing."""

WARMER_K = 30.0
"""How much warmer than the air a module on a roof gets at its rated current (Ross 1976: 20 to 35, from memory)."""

CURRENT_PER_K = 0.0005
"""By which current grows with heat; what voltage loses is this more than what power does."""


class InputDay(NamedTuple):
    """One civil day of an input; logarithms, NaN where it cannot be told.

    made_wh: all that was heard of [Wh DC]. light: what was compared, in hours of full power
    log, sigma: ln of made over expected, less that of the others where there are any, and its standard deviation
    own, own_sigma: the same without the others. first, middle, last: log by thirds of the day's light
    volts, own_volts: ln of voltage over that on file, heat removed, less that of the others and without
    balance: ln of the inverter's AC over the DC of all its inputs. cold: there may have been snow
    airless: how warm the air was is not known, so the heat removed is a guess
    broke: it carried nothing in strong light and flowed again in weaker. strong_a: the most it carried [A]
    missed_wh: what it could have made while it carried nothing [Wh DC]
    """

    day: int
    made_wh: float = 0.0
    light: float = 0.0
    log: float = nan
    sigma: float = nan
    own: float = nan
    own_sigma: float = nan
    first: float = nan
    middle: float = nan
    last: float = nan
    volts: float = nan
    own_volts: float = nan
    balance: float = nan
    cold: float = 0.0
    airless: float = 0.0
    broke: float = 0.0
    strong_a: float = 0.0
    missed_wh: float = 0.0


@dataclass(frozen=True, slots=True)
class Strings:
    """What is on file of an input. nominal_v: of one string. share: of its inverter's panels

    others: the inputs it is held against; alike: whether their planes agree with its own
    """

    input: str
    inverter: str
    peak_w: float
    strings: int
    modules: int | None
    nominal_v: float
    gamma_per_k: float
    share: float
    others: tuple[str, ...]
    alike: bool

    @property
    def rated_a(self) -> float:
        return self.peak_w / self.nominal_v


def plain_inputs(site: Site) -> tuple[str, ...]:
    """Inputs with nothing but plain strings, in the file's order."""
    names = dict.fromkeys(array.input for array in site.arrays if "." in array.input)
    return tuple(name for name in names if all(one.conversion is Conversion.STRING for one in site.arrays_at(name)))


def strings_of(scene: Scene) -> dict[str, Strings]:
    """Every plain input whose power and current are read, with what is on file of it."""
    site, window = scene.site, scene.window
    heard = [
        name
        for name in plain_inputs(site)
        if name in scene.expected.by_subject
        and window.gauge(f"{name}.dc_power") is not None
        and window.gauge(f"{name}.dc_current") is not None
    ]
    planes = {name: {(one.tilt_deg, one.azimuth_deg) for one in site.arrays_at(name)} for name in heard}
    found: dict[str, Strings] = {}
    for name in heard:
        arrays = site.arrays_at(name)
        first = arrays[0]
        peak_w = sum(array.peak_power_w for array in arrays)
        on_file = first.module.vmp_v is not None and first.modules_in_series is not None
        others = [other for other in heard if other != name]
        alike = [other for other in others if planes[other] == planes[name] and len(planes[name]) == 1]
        gamma = first.module.gamma_per_k
        found[name] = Strings(
            input=name,
            inverter=first.inverter,
            peak_w=peak_w,
            strings=sum(array.parallel_strings for array in arrays),
            modules=first.modules_in_series if len(arrays) == 1 else None,
            nominal_v=(first.module.vmp_v or 0.0) * (first.modules_in_series or 0) if on_file else USUAL_STRING_V,
            gamma_per_k=GAMMA_PER_K if gamma is None else gamma,
            share=peak_w / sum(array.peak_power_w for array in site.arrays_of(first.inverter)),
            others=tuple(alike or others),
            alike=bool(alike),
        )
    return found


@dataclass(slots=True)
class Light:
    """The columns of one civil day of a site: what may be compared in it, as known at a point."""

    scene: Scene
    part: slice
    point_ms: int
    snow_below_degc: float

    def column(self, channel: str) -> Floats:
        """What was known of a gauge by the point; NaN elsewhere."""
        gauge = self.scene.window.gauge(channel)
        if gauge is None:
            return np.full(self.part.stop - self.part.start, nan)
        return np.where(gauge.known_ms[self.part] <= self.point_ms, gauge.value[self.part], nan)

    def measures(self, inputs: dict[str, Strings], day: int) -> dict[str, InputDay]:
        """Of every input, for one day."""
        expected = self.scene.expected
        known = (expected.known_ms[self.part] <= self.point_ms) & (expected.basis[self.part] != Basis.NONE)
        high = expected.sun_elevation_deg[self.part] > LOW_SUN_DEG
        power = {name: self.column(f"{name}.dc_power") for name in inputs}
        if not high.any() or all(np.isnan(one[high]).all() for one in power.values()):
            return {name: InputDay(day) for name in inputs}
        referred = bool(2 * np.count_nonzero(known & high) >= np.count_nonzero(high))
        usable = high & known if referred else high
        ac = {name: self.column(f"{name}.ac_power") for name in {one.inverter for one in inputs.values()}}
        free = {name: usable & self._free(name, ac[name]) for name in ac}
        due = {
            name: (expected.by_subject[name].expected if referred else expected.by_subject[name].bound)[self.part]
            for name in inputs
        }
        current = {name: self.column(f"{name}.dc_current") for name in inputs}
        flows = {name: current[name] > FLOWING * one.rated_a for name, one in inputs.items()}
        volts = {name: self._volts(one, current[name], free[one.inverter]) for name, one in inputs.items()}
        basis = _basis(expected.basis[self.part][usable]) if referred else Basis.NONE
        air = expected.temp_air[self.part][known & high]
        air = air[~np.isnan(air)]
        cold = float(len(air) > 0 and float(np.mean(air)) < self.snow_below_degc)
        airless = float(2 * len(air) < np.count_nonzero(known & high))
        found: dict[str, InputDay] = {}
        for name, one in inputs.items():
            made = power[name]
            measured = InputDay(day, made_wh=_wh(made), cold=cold, airless=airless, own_volts=volts[name])
            beside = [other for other in one.others if not isnan(volts[other])]
            if beside:
                measured = measured._replace(volts=volts[name] - sum(volts[other] for other in beside) / len(beside))
            elif not one.others:
                measured = measured._replace(volts=volts[name])
            measured = self._gaps(measured, one, inputs, power, due, current[name], high)
            used = free[one.inverter] & flows[name] & ~np.isnan(made)
            with np.errstate(divide="ignore", invalid="ignore"):
                measured = self._compared(measured, one, inputs, used, power, due, flows, free, referred, basis)
            dc = np.sum([power[other] for other in inputs if inputs[other].inverter == one.inverter], axis=0)
            whole = free[one.inverter] & ~np.isnan(dc) & ~np.isnan(ac[one.inverter])
            if self.scene.site.inverter(one.inverter).storage is Storage.DC:
                measured = measured._replace(balance=self._balance_beside_a_battery(one.inverter, day))
            elif np.count_nonzero(whole) >= FEWEST and float(dc[whole].sum()) > 0.0:
                balance = log(max(float(ac[one.inverter][whole].sum()), 1e-9) / float(dc[whole].sum()))
                measured = measured._replace(balance=balance)
            found[name] = measured
        return found

    def _balance_beside_a_battery(self, inverter: str, day: int) -> float:
        """What stands for AC where a battery takes and gives: what all other sides say that the inputs brought."""
        return Sides(self.scene, Settling(self.point_ms, 0, date.fromordinal(day), 0, self.part)).dc_share(inverter)

    def _free(self, inverter: str, ac: Floats) -> Bools:
        """Where an inverter works and holds nothing back."""
        if np.isnan(ac).all():
            return np.ones(len(ac), dtype=bool)
        free = (ac > 0.0) & (ac < UNDER_LIMIT * self.scene.site.inverter(inverter).ac_limit_w)
        return np.asarray(free & (self.column(f"{inverter}.operating_state") != Operating.THROTTLED))

    def _volts(self, one: Strings, current: Floats, free: Bools) -> float:
        volts = self.column(f"{one.input}.dc_voltage")
        loaded = free & (current > LOADED * one.rated_a) & (volts > 0.0)
        if np.count_nonzero(loaded) < FEWEST:
            return nan
        air = self.scene.expected.temp_air[self.part][loaded]
        cell = np.where(np.isnan(air), TEMP_AIR_DEFAULT, air) + WARMER_K * current[loaded] / one.rated_a
        cool = volts[loaded] / (one.nominal_v * (1.0 + (one.gamma_per_k - CURRENT_PER_K) * (cell - 25.0)))
        cool.sort()
        return log(float(cool[int(VOLTS_AT * (len(cool) - 1))]))

    def _gaps(
        self,
        measured: InputDay,
        one: Strings,
        inputs: dict[str, Strings],
        power: dict[str, Floats],
        due: dict[str, Floats],
        current: Floats,
        high: Bools,
    ) -> InputDay:
        """The day with what is told of an input that carries nothing in strong light and flows again in weaker."""
        flowing = high & (current > FLOWING * one.rated_a)
        if flowing.any():
            measured = measured._replace(strong_a=float(current[flowing].max()))
        same = [name for name in one.others if inputs[name].inverter == one.inverter]
        dead = high & (current <= NOTHING * one.rated_a)
        if not same or np.count_nonzero(dead) < 3 or np.count_nonzero(flowing) < 3:
            return measured
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.nansum([power[name] for name in same], axis=0) / np.sum([due[name] for name in same], axis=0)
            could = np.nan_to_num(share * due[one.input], posinf=0.0)
        dead &= could > 2.0 * FLOWING * one.peak_w
        again = np.flatnonzero(flowing)[-1] > np.flatnonzero(dead)[0] if dead.any() else False
        if np.count_nonzero(dead) < 3 or not again:
            return measured
        broke = float(np.median(could[dead])) > 1.1 * float(np.median(could[flowing]))
        return measured._replace(broke=float(broke), missed_wh=_wh(np.where(dead, could, 0.0)))

    def _compared(
        self,
        measured: InputDay,
        one: Strings,
        inputs: dict[str, Strings],
        used: Bools,
        power: dict[str, Floats],
        due: dict[str, Floats],
        flows: dict[str, Bools],
        free: dict[str, Bools],
        referred: bool,
        basis: Basis,
    ) -> InputDay:
        """The day with its ratios, where there is enough light to say so."""
        made, allowed = power[one.input], due[one.input]
        still = free[one.inverter] & ~flows[one.input] & (allowed > 4.0 * FLOWING * one.peak_w)
        if np.count_nonzero(still) > 0.1 * np.count_nonzero(used):
            return measured  # it is open, or comes and goes
        own = nan
        if referred and np.count_nonzero(used) >= FEWEST:
            own = _log_ratio(made[used], allowed[used])
        both = used
        if one.others:
            for other in one.others:
                both = both & free[inputs[other].inverter] & flows[other] & ~np.isnan(power[other])
            beside_made = np.sum([power[other] for other in one.others], axis=0)
            beside = np.sum([due[other] for other in one.others], axis=0)
        light = float(allowed[both].sum()) * GRID_MS / HOUR_MS / one.peak_w
        if np.count_nonzero(both) < FEWEST or (not one.others and not referred):
            return measured._replace(own=own)
        logs = [_log_ratio(made[both], allowed[both])]
        energy = np.cumsum(allowed[both])
        thirds = np.minimum(3.0 * energy / max(energy[-1], 1e-9), 2.999).astype(np.int64)
        logs += [_log_ratio(made[both][thirds == third], allowed[both][thirds == third]) for third in range(3)]
        if one.others:
            logs[0] -= _log_ratio(beside_made[both], beside[both])
            for third in range(3):
                at = thirds == third
                logs[1 + third] -= _log_ratio(beside_made[both][at], beside[both][at])
        own_sigma = self._day_sigma(basis, allowed[both], one) if referred else nan
        sigma = own_sigma
        if one.others:
            sigma = (SIGMA_ALIKE if one.alike else SIGMA_APART[basis]) * sqrt(max(1.0, 1.0 / max(light, 0.1)))
        whole, *parts = logs
        if one.others and not any(map(isnan, parts)):
            # What differs from direction to direction is shade, or a plane that is not as on file: it tells less.
            sigma = hypot(sigma, BY_DIRECTION * (max(parts) - min(parts)))
        return measured._replace(
            light=light, log=whole, sigma=sigma, own=own, own_sigma=own_sigma, first=parts[0], middle=parts[1],
            last=parts[2],
        )  # fmt: skip

    def _day_sigma(self, basis: Basis, allowed: Floats, one: Strings) -> float:
        bound = self.scene.expected.by_subject[one.input].bound[self.part]
        clearness = float(allowed.sum()) / max(float(bound[bound > 0.0].sum()), 1e-9)
        noon_deg = float(np.max(self.scene.expected.sun_elevation_deg[self.part]))
        kind = basis if basis in (Basis.MEASURED, Basis.SATELLITE) else Basis.WEATHER
        return day_sigma(kind, noon_deg, min(clearness, 1.0))


def _log_ratio(made: Floats, allowed: Floats) -> float:
    above, below = float(made.sum()), float(allowed.sum())
    return log(above / below) if above > 0.0 and below > 0.0 else nan


def _wh(power: Floats) -> float:
    return float(np.nansum(np.maximum(power, 0.0))) * GRID_MS / HOUR_MS


def _basis(kinds: npt.NDArray[np.int8]) -> Basis:
    """The poorest basis that serves at least a quarter of the intervals."""
    for kind in (Basis.PEERS, Basis.WEATHER, Basis.SATELLITE):
        if len(kinds) and 4 * np.count_nonzero(kinds == kind) >= len(kinds):
            return kind
    return Basis.MEASURED
