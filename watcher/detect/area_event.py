"""area-event: a site makes little or nothing, and so do most of its neighbours: a power cut in the street, or snow.

It stands in the place of what the site itself would be blamed for (no-generation, inverter-silent, output-low), books
the loss to the area, and ends when the neighbours are back: what is dark then is the site's own affair. A site that
makes power while its neighbours do not has no part in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.detect.area import area, asks_neighbours, since
from watcher.detect.presence import GRID_VOLTAGE_V, board_was_heard
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    Judgement,
    Scene,
    Small,
    accrued,
    as_known,
    mwh,
    pv_expectation,
    pv_power,
    trailing_sum,
    unknown,
    usable_through,
)
from watcher.detect.snow import snow_possible
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, POINTS_A_DAY
from watcher.domain.site import Site
from watcher.expect.expectation import Basis

CODES = ("area-event.not-judged", "area-event.neighbours-well", "area-event.all-dark", "area-event.all-low")
CAUSES = ((), ("supply-cut",), ("snow-likely",), ("supply-cut", "snow-likely"))
WAIT_MS = 2 * HOUR_MS
"""For the neighbours' word: later than that it says nothing of now."""


class AreaEvent:
    name = Finding.AREA_EVENT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return ("site",) if asks_neighbours(site) else ()

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found, own = area(scene), _Own(scene)
        if found is None or not own.told:
            return unknown(scene, self.name, subject, CODES[0])
        window, n = scene.window, scene.window.points
        ends = window.ends()
        cold = snow_possible(scene, scene.limit(self.name, "snow_below_degc"))
        dark = found.dark & own.dark(cold)
        low = found.low & (own.made_so_far() < scene.limit(self.name, "own_low_share"))
        event = dark | low
        raw = np.select([~own.heard, event, found.well], [UNKNOWN, FAULT, OK], UNKNOWN).astype(np.int8)
        through = usable_through(window, found.known_ms, own.known_ms, scene.expected.known_ms)
        verdict = as_known(raw, through, window, WAIT_MS)
        fault = verdict == FAULT
        first = since(event, raw == OK)[through]
        begun_ms = ends[first] - GRID_MS
        # Of a day that is low nobody saw the begin; of a darkness it lies in the quarter before.
        midnight_ms = window.start_ms + first // POINTS_A_DAY * POINTS_A_DAY * GRID_MS
        early_ms = np.where(dark[first], begun_ms - 3 * GRID_MS, midnight_ms)
        code = np.where(fault, np.where(dark[through], 2, 3), verdict).astype(np.int8)
        near, dark_sites, light = found.near[through], found.dark_sites[through], found.light[through]

        def evidence(point: int) -> Mapping[str, str | float]:
            told = {"sites_near": near[point], "sites_dark": dark_sites[point], "area_share": light[point]}
            return {name: float(round(value, 2)) for name, value in told.items() if np.isfinite(value)}

        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=np.where(fault, _cause(scene, own)[through], 0).astype(np.int8),
            cause_sets=CAUSES,
            observed=np.where(fault, dark_sites, np.nan),
            expected=np.where(fault, near, np.nan),
            unit="1",
            onset_ms=np.minimum(begun_ms, ends),
            onset_low_ms=np.minimum(np.maximum(early_ms, window.start_ms), begun_ms),
            onset_high_ms=np.minimum(ends[first], ends),
            loss_mwh=accrued(np.where(event, own.short_mwh(), 0.0), through, fault),
            arrears_mwh=np.zeros(n),
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=evidence,
        )


class _Own:
    """What the site's own inverters made, by interval, of those whose panels tell. heard: at all, up to there"""

    def __init__(self, scene: Scene) -> None:
        window = scene.window
        self.limit = partial(scene.limit, Finding.AREA_EVENT)
        self.power: list[Floats] = []
        self.expected: list[Floats] = []
        self.bound: list[Floats] = []
        self.listened: list[Bools] = []
        self.rating_w: list[float] = []
        self.mains: list[Bools] = []
        self.known_ms = window.ends()
        self.measured: Bools = scene.expected.basis == Basis.MEASURED
        self.sun: Bools = scene.expected.sun_elevation_deg > scene.limit(Finding.AREA_EVENT, "sun_deg")
        for inverter in scene.site.inverters:
            if not scene.site.arrays_of(inverter.id):
                continue
            found, expectation = pv_power(scene, inverter.id), pv_expectation(scene, inverter.id)
            if found is None or expectation is None:
                continue
            self.power.append(found[0])
            self.expected.append(expectation.expected)
            self.bound.append(expectation.bound)
            self.rating_w.append(inverter.ac_limit_w)
            self.mains.append(self._mains(scene, inverter.id))
            self.listened.append(board_was_heard(scene, inverter.id))
            self.known_ms = np.maximum(self.known_ms, found[1])
        self.told = bool(self.power)
        anything = np.logical_or.reduce([np.isfinite(power) for power in self.power], axis=0, initial=False)
        self.heard: Bools = np.logical_or.accumulate(anything & np.ones(window.points, dtype=bool))

    def _mains(self, scene: Scene, inverter: str) -> Bools:
        """Where it sees the mains: what is black over it then is no power cut."""
        gauge = scene.window.gauge(f"{inverter}.l1.ac_voltage")
        if gauge is None:
            return np.zeros(scene.window.points, dtype=bool)
        self.known_ms = np.maximum(self.known_ms, np.where(np.isfinite(gauge.value), gauge.known_ms, 0))
        with np.errstate(invalid="ignore"):
            return np.asarray(gauge.value >= GRID_VOLTAGE_V)

    def dark(self, cold: Bools) -> Bools:
        """Where any of them makes nothing without seeing the mains, is listened for and not heard, or has for hours
        made less than the blackest cloud leaves. Where its reference lets expect as little, nothing is amiss.

        cold: where snow may lie
        """
        nothing, buried, hours = (self.limit(name) for name in ("nothing_share", "buried_share", "buried_hours"))
        count = int(hours * HOUR_MS // GRID_MS)
        found: Bools = np.zeros(len(self.sun), dtype=bool)
        with np.errstate(invalid="ignore"):
            for power, bound, expected, rating_w, listened, mains in zip(
                self.power, self.bound, self.expected, self.rating_w, self.listened, self.mains, strict=True
            ):
                under = self.sun & (power <= buried * bound)
                here = (power <= nothing * rating_w) & ~mains
                here |= np.isnan(power) & listened
                found |= here & ~(expected <= buried * bound)
                found |= cold & (trailing_sum(under.astype(float), count) >= count) & (expected > buried * bound)
        return np.asarray(self.sun & found)

    def made_so_far(self) -> Floats:
        """Of what a sensor's light let expect this UTC day up to here; NaN where there was none."""
        made, due = np.zeros(len(self.sun)), np.zeros(len(self.sun))
        for power, expected in zip(self.power, self.expected, strict=True):
            both = self.measured & np.isfinite(power) & np.isfinite(expected)
            made += np.where(both, power, 0.0)
            due += np.where(both, expected, 0.0)
        made, due = (np.cumsum(column.reshape(-1, POINTS_A_DAY), axis=1).ravel() for column in (made, due))
        return np.asarray(np.divide(made, due, out=np.full(len(due), np.nan), where=due > 0.0))

    def short_mwh(self) -> Floats:
        """What was not made of what was expected. [mWh]"""
        short = [
            np.maximum(np.nan_to_num(expected) - np.nan_to_num(power), 0.0)
            for power, expected in zip(self.power, self.expected, strict=True)
        ]
        return mwh(np.sum(short, axis=0))

    def nothing(self) -> Bools:
        return np.asarray(np.logical_and.reduce([np.isnan(power) | (power <= 0.0) for power in self.power]))


def _cause(scene: Scene, own: _Own) -> Small:
    """By interval: no mains is a cut, cold with mains is snow, cold and no word of mains either. By night none."""
    cold = snow_possible(scene, scene.limit(Finding.AREA_EVENT, "snow_below_degc"))
    seen, absent = np.zeros(len(cold), dtype=bool), np.zeros(len(cold), dtype=bool)
    for inverter in scene.site.inverters:
        gauge = scene.window.gauge(f"{inverter.id}.l1.ac_voltage")
        if gauge is not None:
            with np.errstate(invalid="ignore"):
                seen |= gauge.value >= GRID_VOLTAGE_V
                absent |= gauge.value < GRID_VOLTAGE_V
    mains = seen | ~own.nothing()
    return np.select([~own.sun, absent & ~seen, mains & cold, mains, cold], [0, 1, 2, 0, 3], 1).astype(np.int8)
