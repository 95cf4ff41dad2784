"""What neighbouring sites say of their whole area: dark at the same time, or low on the same day.

Rule: what explains a site's darkness is what its neighbours were seen to do in the same quarter of an hour, as far as
that was known by then; where a site asks its neighbours, a verdict on darkness waits for their word. Dark is more than
half of enough sites that must generate under all but the blackest cloud. Low is a day on which the middle of the
neighbours sees less than half of the light that a sensor on site measures; other references give way to the neighbours
anyway (expect/choose.py), so that there the low light is in what is expected.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from watcher.align.window import Bools, Floats, Gauge, Ints, Window
from watcher.detect.scene import Scene, last_true
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, POINTS_A_DAY
from watcher.domain.neighbours import LATEST_MS, NEIGHBOURS, QUARTER_MS
from watcher.domain.site import Label, Site
from watcher.expect.expectation import Basis

A_QUARTER = QUARTER_MS // GRID_MS
LEAST_SUN_DEG = 6.0
"""Under it neighbours are not asked for the light (expect/peers.py)."""


@dataclass(frozen=True, slots=True)
class Area:
    """By interval.

    near, dark_sites: how many must generate, and how many of those do not; NaN where nothing was told
    enough: of those that must generate, to speak for the area
    dark: the area is, or was a quarter of an hour ago: an inverter looks at the mains for minutes before it connects
    light: of the light on site, what the neighbours saw so far this UTC day; NaN while that rests on too little
    low: by that the area is. well: nor is it dark, and enough of the neighbours' day is known to say so
    known_ms: since when that is known, with all that was before it
    """

    near: Floats
    dark_sites: Floats
    enough: Bools
    dark: Bools
    light: Floats
    low: Bools
    well: Bools
    known_ms: Ints

    def low_on(self, part: slice, point_ms: int) -> bool:
        """Whether a day, as known at a point, was low all over the area."""
        return self._last(self.low, np.isfinite(self.light), part, point_ms)

    def well_on(self, part: slice, point_ms: int) -> bool:
        """Whether at the end of a day, as known at a point, the area was well: what lies on its roofs has gone."""
        return self._last(self.well, self.enough, part, point_ms)

    def _last(self, fact: Bools, told: Bools, part: slice, point_ms: int) -> bool:
        places = np.flatnonzero(told[part] & (self.known_ms[part] <= point_ms))
        return len(places) > 0 and bool(fact[part][places[-1]])


def asks_neighbours(site: Site) -> bool:
    return site.source_of(NEIGHBOURS) is not None


def area(scene: Scene) -> Area | None:
    """None where the site asks no neighbours."""
    if not asks_neighbours(scene.site):
        return None
    near, dark_sites = _gauge(scene, "sites_near"), _gauge(scene, "sites_dark")
    fewest = scene.limit(Finding.AREA_EVENT, "fewest_sites")
    with np.errstate(invalid="ignore"):
        enough = near.value >= fewest
        dark = enough & (dark_sites.value > scene.limit(Finding.AREA_EVENT, "dark_share") * near.value)
    dark[A_QUARTER:] |= dark[:-A_QUARTER].copy()
    light, known_ms = _light(scene, enough)
    told_hours = _so_far(np.where(enough, GRID_MS / HOUR_MS, 0.0))
    with np.errstate(invalid="ignore"):
        low = light < scene.limit(Finding.AREA_EVENT, "low_share")
        well = enough & ~dark & ~(light < scene.limit(Finding.AREA_EVENT, "well_share"))
    well &= told_hours >= scene.limit(Finding.AREA_EVENT, "low_hours")
    known_ms = np.maximum.reduce([near.known_ms, dark_sites.known_ms, known_ms])
    return Area(near.value, dark_sites.value, enough, dark, light, low, well, np.maximum.accumulate(known_ms))


def _gauge(scene: Scene, quantity: str) -> Gauge:
    """What was told; where nothing was so far, that is known as late as of any other quarter."""
    found = scene.window.gauge(f"{NEIGHBOURS}.{quantity}")
    if found is not None:
        return found
    ends, n = scene.window.ends(), scene.window.points
    over = -(-ends // QUARTER_MS) * QUARTER_MS + LATEST_MS
    return Gauge(np.full(n, np.nan), over, np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.uint8))


def _light(scene: Scene, enough: Bools) -> tuple[Floats, Ints]:
    """What the neighbours saw of the light on site, both as shares of a clear sky, over the UTC day so far."""
    expected, told = scene.expected, _gauge(scene, "ghi")
    measured = expected.basis == Basis.MEASURED
    # Whether a sensor has something to say is known when its period is over, and not before.
    known_ms = np.maximum(told.known_ms, np.where(measured, expected.known_ms, _sensors_told_ms(scene)))
    peak = {array.id: array.peak_power_w for array in scene.site.arrays if array.id in expected.poa_wm2}
    both = enough & np.isfinite(told.value) & measured & (expected.sun_elevation_deg > LEAST_SUN_DEG)
    if not both.any() or not peak:
        return np.full(len(both), np.nan), known_ms
    plane = np.sum([weight * expected.poa_wm2[id] for id, weight in peak.items()], axis=0)
    clear_plane = np.sum([weight * expected.clear_poa_wm2[id] for id, weight in peak.items()], axis=0)
    both &= np.isfinite(plane) & np.isfinite(clear_plane)
    hours, seen, clear, here, clear_here = (
        _so_far(np.where(both, column, 0.0))
        for column in (
            np.full(len(both), GRID_MS / HOUR_MS),
            told.value,
            _clear_ghi(expected.sun_elevation_deg),
            plane,
            clear_plane,
        )
    )
    sure = (hours >= scene.limit(Finding.AREA_EVENT, "low_hours")) & (here > 0.0)
    share = np.divide(seen * clear_here, clear * here, out=np.full(len(both), np.nan), where=sure)
    return share, known_ms


def _sensors_told_ms(scene: Scene) -> Ints:
    """For each interval when the sensors on site, where there are any, have said what they say of it on time."""
    ends, site = scene.window.ends(), scene.site
    sources = [source for sensor in site.sensors if (source := site.source_of(sensor.id)) is not None]
    periods = [round(source.period_s * 1000) for source in sources if source.label is Label.MEAN_ENDING]
    over = [-(-ends // period) * period for period in periods if period > GRID_MS]
    return np.asarray(np.maximum.reduce([ends, *over]))


def _so_far(column: Floats) -> Floats:
    """Added up from each midnight on."""
    return np.asarray(np.cumsum(column.reshape(-1, POINTS_A_DAY), axis=1).ravel())


def _clear_ghi(elevation_deg: Floats) -> Floats:
    """Under a clear sky, to some per cent (Haurwitz 1945, as in Reno, Hansen and Stein, SAND2012-2389). [W/m2]"""
    sine = np.sin(np.radians(np.maximum(elevation_deg, 1.0)))
    return np.asarray(1098.0 * sine * np.exp(-0.059 / sine))


class Covered(NamedTuple):
    """By interval: where the area explains a site's darkness, and since when that is known."""

    dark: Bools
    known_ms: Ints


def covered(found: Area | None, window: Window) -> Covered:
    if found is None:
        return Covered(np.zeros(window.points, dtype=bool), window.ends())
    return Covered(found.dark, found.known_ms)


def since(mask: Bools, ended: Bools) -> Ints:
    """For each entry the first of the mask after the last end at or before it; the entry itself where there is none."""
    n = len(mask)
    last_end = last_true(ended)
    places = np.where(mask, np.arange(n), n)
    first = np.minimum.accumulate(places[::-1])[::-1]  # the next of the mask at or after each entry
    found = np.concatenate((first, [n]))[last_end + 1]
    return np.where(found <= np.arange(n), found, np.arange(n))
