"""Which reference serves each interval: on-site sensors, then neighbours, then satellite, then weather model.

Rules.
- The best basis that has a plausible irradiance there serves it; anything else is no reference, never 0.
- Cause and effect: a companion value (diffuse, temperature, wind, a second sensor) is used only where it was known
  by the time the interval's irradiance was.
- Where the site has a better source that reports means over longer periods, a worse one must wait for the end of
  that period: until then nobody can tell whether the better one will have something to say. So a replay, which knows
  what came, and a live run, which does not, agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from watcher.align.window import Floats, Ints, Window
from watcher.domain.instant import GRID_MS, POINTS_A_DAY
from watcher.domain.neighbours import LATEST_MS, NEIGHBOURS, QUARTER_MS
from watcher.domain.quantity import WEATHER_DEVICES
from watcher.domain.site import Label, Site
from watcher.expect.expectation import Basis
from watcher.expect.geometry import Plane, Sky
from watcher.expect.irradiance import Components, Split, back_to_horizontal, clear_plane, split
from watcher.expect.tracks import Reader, Track, first_of, implausible, known_by

PlaneKey = tuple[float, float]
"""(tilt, azimuth) in degrees: arrays in the same plane share its sensor."""


@dataclass(frozen=True, slots=True)
class Reference:
    """What the sky did, interval by interval.

    light: with basis NONE all three NaN
    in_plane: from sensors in an array's own plane, NaN where there is none [W/m2]
    temp_air, wind_speed, temp_module (by array id): the best known by known_ms; NaN where none
    """

    basis: npt.NDArray[np.int8]
    known_ms: Ints
    light: Components
    in_plane: Mapping[PlaneKey, Floats]
    temp_air: Floats
    wind_speed: Floats
    temp_module: Mapping[str, Floats]


class _Candidate(NamedTuple):
    basis: Basis
    light: Components
    known_ms: Ints
    in_plane: Mapping[PlaneKey, Track]


def choose(site: Site, window: Window, sky: Sky, day_start_ms: int) -> Reference:
    """The reference of each interval of a day."""
    ends = day_start_ms + GRID_MS * np.arange(1, len(sky.ghi) + 1, dtype=np.int64)
    read = Reader(window, ends)
    candidates = [_measured(site, sky, read)]
    candidates += [_weather(device, basis, sky, read) for device, basis in _OTHERS.items()]

    basis = np.zeros(len(ends), dtype=np.int8)
    waits = _waits(site, ends)
    known_ms = waits.pop().copy()  # where nothing serves: once nothing can come on time any more
    light = Components(*(np.full(len(ends), np.nan) for _ in Components._fields))
    for candidate, wait_ms in zip(candidates, waits, strict=True):
        serves = (basis == Basis.NONE) & np.isfinite(candidate.light.ghi)
        basis[serves] = candidate.basis
        known_ms[serves] = np.maximum(candidate.known_ms, wait_ms)[serves]
        for chosen, offered in zip(light, candidate.light, strict=True):
            chosen[serves] = offered[serves]

    measured = basis == Basis.MEASURED
    in_plane = {key: known_by(known_ms, [track], measured) for key, track in candidates[0].in_plane.items()}
    devices = [sensor.id for sensor in site.sensors] + list(WEATHER_DEVICES)
    return Reference(
        basis=basis,
        known_ms=known_ms,
        light=light,
        in_plane=in_plane,
        temp_air=known_by(known_ms, (read.track(f"{device}.temp_air") for device in devices)),
        wind_speed=known_by(known_ms, (read.track(f"{device}.wind_speed") for device in devices)),
        temp_module={
            plane: known_by(
                known_ms, [read.track(f"{sensor.id}.temp_module") for sensor in site.sensors if sensor.plane == plane]
            )
            for plane in {sensor.plane for sensor in site.sensors}
        },
    )


def told(site: Site, window: Window, day_start_ms: int) -> bytes:
    """Everything that the reference of a day rests on, as far as the window holds it."""
    ends = day_start_ms + GRID_MS * np.arange(1, POINTS_A_DAY + 1, dtype=np.int64)
    return Reader(window, ends).as_bytes({*(sensor.id for sensor in site.sensors), *_OTHERS})


_OTHERS = {
    NEIGHBOURS: Basis.PEERS,
    **dict(zip(WEATHER_DEVICES, (Basis.SATELLITE, Basis.WEATHER, Basis.WEATHER), strict=True)),
}
"""Best first. Neighbours go before a satellite: their daily error is smaller (expect/band.py) and they are not late."""


def _waits(site: Site, ends: Ints) -> list[Ints]:
    """For sensors and each of the others, best first: the instant to wait for before it may be used.

    The last entry waits for all of them.
    """
    period_of = {
        source.device: round(source.period_s * 1000) for source in site.sources if source.label is Label.MEAN_ENDING
    }

    def until(devices: Iterable[str]) -> Ints:
        wait_ms, named = ends, tuple(devices)
        for period_ms in (period_of.get(device, 0) for device in named):
            if period_ms > GRID_MS:
                wait_ms = np.maximum(wait_ms, -(-ends // period_ms) * period_ms)
        if NEIGHBOURS in named and site.source_of(NEIGHBOURS) is not None:
            wait_ms = np.maximum(wait_ms, -(-ends // QUARTER_MS) * QUARTER_MS + LATEST_MS)
        return wait_ms

    sensors, others = [sensor.id for sensor in site.sensors], tuple(_OTHERS)
    return [until(sensors), *(until([*sensors, *others[:better]]) for better in range(len(others) + 1))]


def _measured(site: Site, sky: Sky, read: Reader) -> _Candidate:
    """On-site sensors. A horizontal one leads; without it the first in an array's plane, led back to the horizontal."""
    horizontal = [read.irradiance(f"{sensor.id}.ghi", sky.ghi, sky) for sensor in site.sensors]
    horizontal += [
        read.irradiance(f"{sensor.id}.poa_irradiance", sky.ghi, sky)
        for sensor in site.sensors
        if sensor.plane == "horizontal"
    ]
    in_plane = _plane_tracks(site, sky, read)
    tracks = horizontal + [
        _led_back(track, clear_plane(sky, *key).plane, alone=_only_plane(site, key)) for key, track in in_plane.items()
    ]
    ghi = first_of(tracks, read.ends)
    beams = [read.irradiance(f"{sensor.id}.dni", sky.dni, sky, trusted=True) for sensor in site.sensors]
    diffuses = [read.irradiance(f"{sensor.id}.dhi", sky.dhi, sky, trusted=True) for sensor in site.sensors]
    light, known_ms = _components(sky, ghi, first_of(beams, read.ends), first_of(diffuses, read.ends), Split.DIRINT)
    return _Candidate(Basis.MEASURED, light, known_ms, in_plane)


def _only_plane(site: Site, key: PlaneKey) -> bool:
    return all((array.tilt_deg, array.azimuth_deg) == key for array in site.arrays)


def _led_back(track: Track, plane: Plane, *, alone: bool) -> Track:
    """Horizontal irradiance from an in-plane sensor.

    alone: no array stands in another plane. Then it only tells beam from diffuse, and the lowest answer will do;
    otherwise an uncertain one is none.
    """
    found = back_to_horizontal(plane, track.value)
    return Track(found.ghi if alone else np.where(found.certain, found.ghi, np.nan), track.known_ms)


def _plane_tracks(site: Site, sky: Sky, read: Reader) -> dict[PlaneKey, Track]:
    found: dict[PlaneKey, list[Track]] = {}
    plane_of = {array.id: (array.tilt_deg, array.azimuth_deg) for array in site.arrays}
    for sensor in site.sensors:
        if sensor.plane in plane_of:
            key = plane_of[sensor.plane]
            clear = clear_plane(sky, *key).clear.total
            found.setdefault(key, []).append(read.irradiance(f"{sensor.id}.poa_irradiance", clear, sky))
    return {key: first_of(tracks, read.ends) for key, tracks in found.items()}


def _weather(device: str, basis: Basis, sky: Sky, read: Reader) -> _Candidate:
    if not any(read.has(f"{device}.{name}") for name in Components._fields):
        return _Candidate(basis, Components(*(np.full(len(read.ends), np.nan),) * 3), read.ends, {})
    light, known_ms = _components(
        sky,
        read.irradiance(f"{device}.ghi", sky.ghi, sky),
        read.irradiance(f"{device}.dni", sky.dni, sky, trusted=True),
        read.irradiance(f"{device}.dhi", sky.dhi, sky, trusted=True),
        Split.ERBS,
    )
    return _Candidate(basis, light, known_ms, {})


def _components(sky: Sky, ghi: Track, dni: Track, dhi: Track, how: Split) -> tuple[Components, Ints]:
    """All three components, as far as possible from what was given.

    Beam and diffuse given are used; where one is given the other follows from the global irradiance (the sun at
    least 5 degrees up: below, the quotient explodes); with the global irradiance alone it is split.
    """
    both = np.isfinite(dni.value) & np.isfinite(dhi.value)
    closed = np.where(both, dni.value * sky.cos_zenith + dhi.value, np.nan)
    pair_known_ms = np.maximum(dni.known_ms, dhi.known_ms)
    impossible = implausible(closed, sky.ghi, np.zeros(len(closed), dtype=np.int64), sky)
    closed = np.where(impossible, np.nan, closed)
    lone = np.isnan(ghi.value)
    value = np.where(lone, closed, ghi.value)
    known_ms = np.where(lone & np.isfinite(closed), pair_known_ms, ghi.known_ms)

    beam = np.where(dni.known_ms <= known_ms, dni.value, np.nan)
    diffuse = np.where(dhi.known_ms <= known_ms, dhi.value, np.nan)
    high = sky.cos_zenith > np.sin(np.radians(5.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        beam_left = np.maximum(value - diffuse, 0.0) / sky.cos_zenith
    diffuse_left = np.maximum(value - beam * sky.cos_zenith, 0.0)
    model = split(sky, value, how)
    beam_only = np.isfinite(beam) & np.isnan(diffuse) & high
    diffuse_only = np.isnan(beam) & np.isfinite(diffuse) & high
    whole = np.isfinite(beam) & np.isfinite(diffuse)
    use = [whole, beam_only, diffuse_only]
    up = sky.apparent_zenith_deg < 90.0
    dark = np.where(np.isnan(value), np.nan, 0.0)
    light = Components(
        ghi=model.ghi,
        dni=np.where(up & np.isfinite(value), np.select(use, [beam, beam, beam_left], model.dni), dark),
        dhi=np.where(up & np.isfinite(value), np.select(use, [diffuse, diffuse_left, diffuse], model.dhi), dark),
    )
    return light, known_ms
