"""reference-silent: a sensor or a weather service that what is expected rests on has said nothing for hours of sun.

Rule: a feed that always comes a day late is not silent. What it was late by so far is allowed for, and only hours of
sun count in which we were there to listen and, for a sensor, the plant gave something: without mains both are dark.
"""

from __future__ import annotations

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.presence import board_was_heard
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, ac_power, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS
from watcher.domain.quantity import WEATHER_DEVICES
from watcher.domain.site import Site

CODES = ("reference-silent.not-judged", "reference-silent.heard", "reference-silent.not-heard")
LIGHT = ("ghi", "poa_irradiance", "dni", "dhi")
LATEST_MS = 6 * DAY_MS
"""Archives come up to five days late as a rule; what came later than that was silent (common practice, no source)."""

HEARD_POINTS = 12
"""Something that became known within the last hour has been heard."""


def references(site: Site) -> tuple[str, ...]:
    """Devices on file that tell of the sun: sensors, then weather services."""
    asked = {source.device for source in site.sources}
    return (*(sensor.id for sensor in site.sensors), *(device for device in WEATHER_DEVICES if device in asked))


class ReferenceSilent:
    name = Finding.REFERENCE_SILENT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return references(site)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, n = scene.window, scene.window.points
        newest_ms, late_ms = _newest(scene, subject)
        if not (newest_ms > 0).any():
            return unknown(scene, self.name, subject, CODES[0])
        ends = window.ends()
        lit = scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")
        hours = _hours(scene, subject, lit & board_was_heard(scene, subject))
        since = np.clip((newest_ms - window.start_ms) // GRID_MS, 0, n)
        due = np.clip((ends - late_ms - window.start_ms) // GRID_MS, 0, n)
        missed_hours = hours[np.maximum(due, since)] - hours[since]
        service = subject in WEATHER_DEVICES
        most = scene.limit(self.name, "service_hours") if service else scene.limit(self.name, "hours")
        silent = (newest_ms > 0) & (missed_hours >= most)
        before_ms = np.concatenate((np.zeros(HEARD_POINTS, dtype=np.int64), newest_ms[:-HEARD_POINTS]))
        verdict = np.where(silent, FAULT, np.where(newest_ms > before_ms, OK, UNKNOWN)).astype(np.int8)
        zero = np.zeros(n)
        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=verdict, codes=CODES,
            cause=silent.astype(np.int8), cause_sets=((), ("not-heard",)),
            observed=np.full(n, np.nan), expected=np.full(n, np.nan), unit="",
            onset_ms=newest_ms, onset_low_ms=newest_ms, onset_high_ms=newest_ms,
            loss_mwh=zero, arrears_mwh=zero, loss_share=0.0,
            evidence=lambda point: {"last_heard_ms": float(newest_ms[point])},
        )  # fmt: skip


def _hours(scene: Scene, device: str, listened: Bools) -> Floats:
    """Hours in which a device could have been heard, added up to each point, from 0 before the first.

    A sensor beside a plant that gives nothing may be without mains, as the plant is; that it gave something counts from
    when it was known.
    """
    window = scene.window
    counted = np.zeros(window.points)
    if device in WEATHER_DEVICES:
        counted[listened] = GRID_MS / HOUR_MS
        return np.concatenate(([0.0], np.cumsum(counted)))
    known_ms = np.full(window.points, np.iinfo(np.int64).max)
    for inverter in scene.site.inverters:
        found = ac_power(scene, inverter.id)
        if found is not None:
            gives = np.nan_to_num(found[0]) > 0.0
            known_ms = np.where(gives, np.minimum(known_ms, found[1]), known_ms)
    at = (np.minimum(known_ms, window.start_ms + (window.points + 1) * GRID_MS) - window.start_ms) // GRID_MS - 1
    told = listened & (at >= 0) & (at < window.points)
    np.add.at(counted, at[told], GRID_MS / HOUR_MS)
    return np.concatenate(([0.0], np.cumsum(counted)))


def _newest(scene: Scene, device: str) -> tuple[Ints, Ints]:
    """For each point the end of the last interval whose light was known by then, 0 before the first; and the most that
    anything had been late by so far. [ms]
    """
    window = scene.window
    ends, found = window.ends(), np.zeros(window.points, dtype=np.int64)
    late = np.zeros(window.points, dtype=np.int64)
    for name in LIGHT:
        gauge = window.gauge(f"{device}.{name}")
        if gauge is None:
            continue
        there: Bools = ~np.isnan(gauge.value)
        at = (gauge.known_ms[there] - window.start_ms) // GRID_MS - 1
        inside = (at >= 0) & (at < window.points)
        end, at = ends[there][inside], at[inside]
        np.maximum.at(found, at, end)
        np.maximum.at(late, at, np.minimum(ends[at] - end, LATEST_MS))
    return np.maximum.accumulate(found), np.maximum.accumulate(late)
