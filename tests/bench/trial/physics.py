"""From weather to the power of a roof: plane, glass, heat with its lag, strings, inverters, limits.

Rules: everything unlike watcher/expect (Muneer instead of Perez, Martin and Ruiz on beam and diffuse, spectrum, lagged
module heat, losses of the inverter by load). What is broken comes in as `Harm`; the same code without it is the
healthy twin, and the difference is the truth about what was lost.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pvlib

from tests.bench.trial.calendar import Sun
from tests.bench.trial.cells import SUBSTRINGS, Lit, open_circuit, string_point, table
from tests.bench.trial.roofs import Obstacle, Panels, Roof
from tests.bench.trial.weather import Weather
from watcher.align.window import Bools, Floats
from watcher.domain.site import Conversion

ALBEDO = 0.17
HEAT_U = 21.0  # W/m2K, roof mounted, air from one side (PVsyst's semi-integrated 20, from memory)
LAG_MINUTES = 8.0
SLEEP_W = 20.0


@dataclass(slots=True)
class Harm:
    """What is wrong with panels (by their id) and inverters (by theirs), over a stretch; scalars or columns.

    lost_parts: substrings shorted. lost_strings: of the parallel ones. dim: (substrings, share of the light) of some
    modules. veil: share of light that reaches the panels. obstacles: new ones. derate: share an inverter still makes;
    cap_w: its most. off: makes nothing. trips: intervals in which it is off the grid
    """

    lost_parts: dict[str, Floats | float] = field(default_factory=dict)
    lost_strings: dict[str, Floats | float] = field(default_factory=dict)
    dim: dict[str, tuple[int, float]] = field(default_factory=dict)
    volts_share: dict[str, float] = field(default_factory=dict)
    breaks_over_a: dict[str, float] = field(default_factory=dict)
    veil: dict[str, Floats | float] = field(default_factory=dict)
    obstacles: dict[str, tuple[Obstacle, Floats]] = field(default_factory=dict)
    derate: dict[str, Floats | float] = field(default_factory=dict)
    cap_w: dict[str, Floats | float] = field(default_factory=dict)
    off: dict[str, Bools] = field(default_factory=dict)


@dataclass(slots=True)
class Output:
    """volts, amps: by input. dc_w: by inverter, what its panels give it. ac_w: by inverter. limited: at its limit"""

    volts: dict[str, Floats]
    amps: dict[str, Floats]
    dc_w: dict[str, Floats]
    ac_w: dict[str, Floats]
    limited: dict[str, Bools]
    heat: Floats


def muneer(tilt_deg: float, cos_incidence: Floats, sun: Sun, ghi: Floats, dni: Floats, dhi: Floats) -> Floats:
    """The sky's diffuse light on a plane. [W/m2] Muneer 1990 in the form of the r.sun model (from memory)."""
    tilt = np.radians(tilt_deg)
    view = 0.5 * (1.0 + np.cos(tilt))
    bend = np.sin(tilt) - tilt * np.cos(tilt) - np.pi * np.sin(0.5 * tilt) ** 2
    clear = np.clip(dni / np.maximum(sun.outside, 1.0), 0.0, 1.0)
    overcast = view + 0.252271 * bend
    bright = ((0.00263 - 0.712 * clear - 0.6883 * clear**2) * bend + view) * (1.0 - clear)
    bright = bright + clear * cos_incidence / np.maximum(sun.height, 0.1)
    return np.asarray(dhi * np.where((cos_incidence > 0.0) & (sun.height > 0.02), np.maximum(bright, 0.0), overcast))


def beam_share(obstacles: tuple[Obstacle, ...], sun: Sun, leaves: Floats) -> tuple[Floats, Floats]:
    """The obstacle that hides most: substrings it reaches now, and the share of the beam it lets through."""
    parts, share = np.zeros(len(leaves)), np.ones(len(leaves))
    for one in obstacles:
        aside = np.abs((sun.azimuth_deg - one.azimuth_deg + 180.0) % 360.0 - 180.0)
        inside = np.clip((one.width_deg - aside) / 6.0, 0.0, 1.0) * np.clip(
            (one.height_deg - sun.elevation_deg) / 4.0, 0.0, 1.0
        )
        reach = np.round(one.substrings * inside)
        through = one.winter + (one.summer - one.winter) * leaves
        share = np.where(reach > parts, through, share)
        parts = np.maximum(parts, reach)
    return parts, share


def run(roof: Roof, weather: Weather, sun: Sun, leaves: Floats, dirt: Floats, harm: Harm | None = None) -> Output:
    """leaves: 0 bare to 1 in leaf. dirt: share of light lost to everyday dirt."""
    harm = harm or Harm()
    volts: dict[str, Floats] = {}
    amps: dict[str, Floats] = {}
    dc_w = {name: np.zeros(len(weather.ghi)) for name in roof.inverters}
    unit_w: dict[str, Floats] = {}
    heat = weather.temp_air
    for panels in roof.panels:
        v, a, heat = _panels(panels, weather, sun, leaves, dirt, harm)
        volts[panels.input], amps[panels.input] = v, a
        if panels.unit_limit_w is not None:
            units = panels.modules * panels.parallel
            made = units * efficiency_ac(v * a / units, panels.unit_limit_w)
            unit_w[panels.inverter] = unit_w.get(panels.inverter, 0.0) + made
        dc_w[panels.inverter] = dc_w[panels.inverter] + v * a
    ac_w: dict[str, Floats] = {}
    limited: dict[str, Bools] = {}
    for name, limit_w in roof.limits_w.items():
        most = np.minimum(limit_w, harm.cap_w.get(name, np.inf))
        free = unit_w[name] if name in unit_w else efficiency_ac(dc_w[name], limit_w)
        free = free * harm.derate.get(name, 1.0)
        off = harm.off.get(name)
        made = np.minimum(free, most)
        made = np.where(off, 0.0, made) if off is not None else made
        limited[name] = (free > most) & (made > 0.0)
        held = np.where(free > 1.0, made / np.maximum(free, 1.0), 0.0 if off is None else 1.0 - off)
        ac_w[name] = made
        for panels in roof.at(name):
            if off is not None:
                light = np.maximum(weather.ghi, 0.0)
                idle = panels.modules * open_circuit(light, heat)
                volts[panels.input] = np.where(off, idle, volts[panels.input])
            amps[panels.input] = amps[panels.input] * np.where(limited[name] | (made <= 0.0), held, 1.0)
        dc_w[name] = np.sum([volts[one.input] * amps[one.input] for one in roof.at(name)], axis=0)
    return Output(volts, amps, dc_w, ac_w, limited, heat)


def efficiency_ac(dc: Floats, limit_w: float) -> Floats:
    """AC before the limit: losses standing, in proportion and with the square of load (Schmidt and Sauer 1996)."""
    load = np.asarray(dc) / limit_w
    made = dc - limit_w * (0.006 + 0.010 * load + 0.020 * load**2)
    return np.where(dc < max(SLEEP_W, 0.006 * limit_w), 0.0, np.maximum(made, 0.0))


def module_heat(light: Floats, weather: Weather) -> Floats:
    """Cell temperature, a lagged answer to light. [degC]"""
    aim = weather.temp_air + light * 0.86 / (HEAT_U + 2.2 * weather.wind)
    keep = np.exp(-5.0 / LAG_MINUTES)
    # An exponential filter as a short sum of what was: after an hour nothing is left of it.
    weights = (1.0 - keep) * keep ** np.arange(12)
    return np.convolve(aim, weights / weights.sum())[: len(aim)]


def _panels(
    panels: Panels, weather: Weather, sun: Sun, leaves: Floats, dirt: Floats, harm: Harm
) -> tuple[Floats, Floats, Floats]:
    cosine = sun.cos_incidence(panels.tilt_deg, panels.azimuth_deg)
    clean = harm.veil.get(panels.id, 1.0) * (1.0 - dirt)
    beam, lit, ground = plane_light(panels, cosine, weather, sun)
    lit_all, soft = clean * (beam + lit + ground), clean * (lit + ground)
    parts, share = beam_share(panels.obstacles, sun, leaves)
    if panels.id in harm.obstacles:
        new, grown = harm.obstacles[panels.id]
        more, through = beam_share((new,), sun, leaves)
        more = np.round(more * grown)
        share = np.where(more > parts, through, share)
        parts = np.maximum(parts, more)
    dim = soft + share * clean * beam
    heat = module_heat(lit_all, weather)
    all_parts = float(SUBSTRINGS * panels.modules)
    if panels.id in harm.dim:
        count, left = harm.dim[panels.id]
        dim = np.where(parts > count, dim, left * lit_all)
        parts = np.maximum(parts, float(count))
    working = all_parts - harm.lost_parts.get(panels.id, 0.0)
    alone = panels.conversion is not Conversion.STRING
    string = Lit(lit_all, dim, heat, np.minimum(parts, working), np.broadcast_to(working, heat.shape))
    volts, amps = string_point(string, alone)
    volts = volts * harm.volts_share.get(panels.id, 1.0)
    strings = panels.parallel - harm.lost_strings.get(panels.id, 0.0)
    scale = panels.strength * panels.module_w / table().stc_w
    amps = amps * scale * strings
    if panels.id in harm.breaks_over_a:
        amps = np.where(amps > harm.breaks_over_a[panels.id] * scale * panels.parallel, 0.0, amps)
    volts = np.where(amps > 0.0, volts, panels.modules * open_circuit(lit_all, heat) * (np.asarray(strings) > 0.0))
    return volts, amps, heat


def plane_light(panels: Panels, cosine: Floats, weather: Weather, sun: Sun) -> tuple[Floats, Floats, Floats]:
    """What passes the glass: beam, sky and ground. [W/m2] Martin and Ruiz 2001; a spectrum a little bluer in cloud."""
    angle = np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0)))
    passes = pvlib.iam.martin_ruiz_diffuse(max(panels.tilt_deg, 1.0), 0.16)
    beam = weather.dni * cosine * np.asarray(pvlib.iam.martin_ruiz(angle, 0.16))
    diffuse = muneer(panels.tilt_deg, cosine, sun, weather.ghi, weather.dni, weather.dhi)
    diffuse *= float(passes["sky"]) * panels.sky_view
    ground = weather.ghi * ALBEDO * 0.5 * (1.0 - np.cos(np.radians(panels.tilt_deg))) * float(passes["ground"])
    colour = 1.0 + 0.012 * (1.0 - np.clip(weather.kc, 0.0, 1.0)) - 0.015 * np.clip(0.35 - sun.height, 0.0, 0.35)
    return beam * colour, diffuse * colour, ground * colour


def cut(weather: Weather, sun: Sun, part: slice) -> tuple[Weather, Sun]:
    """The same over a stretch of the year."""
    fields = {name: getattr(weather, name)[part] for name in Weather.__slots__}
    of_sun = {name: getattr(sun, name)[part] for name in Sun.__slots__}
    return replace(weather, **fields), replace(sun, **of_sun)
