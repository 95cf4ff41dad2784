"""late-start: in the morning an inverter waits though there is light enough, and works later in the day.

What counts is time in which it is heard, makes nothing yet, sees the mains, and must make something even by the lower
edge of what was expected; three quarters of an hour on two days of seven. Cold days, and winter's where nobody tells
the cold, are left out where nothing names the cause: snow slides off at noon. An earth fault said, or a low insulation,
names it; else the panels' voltage does. Whoever makes nothing all day is no-generation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.day_counts import Shown, by_days
from watcher.detect.presence import GRID_VOLTAGE_V
from watcher.detect.scene import Judgement, Scene, ac_power, mwh, unknown
from watcher.detect.snow import SNOW_MONTHS
from watcher.detect.states import Bit, InputBit, known_ms, rating_w, said, values
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, MINUTE_MS
from watcher.domain.site import Site, Storage
from watcher.expect.expectation import Basis

CAUSES = ("insulation", "array-voltage-low", "waking-threshold")
NORMAL_V = 253.0  # a mains above it is what keeps it off (ESQCR 2002, regulation 27)


@dataclass(frozen=True, slots=True)
class _Columns:
    """What an inverter said, on the grid, and when it may be used. lit: where it must make something"""

    power: Floats
    mains_v: Floats
    panels_v: Floats
    leaks: Bools
    lit: Bools
    due: Floats
    temp_air: Floats
    known_ms: Ints
    due_known_ms: Ints
    nothing_w: float


class LateStart:
    name = Finding.LATE_START

    def subjects(self, site: Site) -> tuple[str, ...]:
        # A battery on the DC side lets an inverter rest in full sun.
        return tuple(
            inverter.id
            for inverter in site.inverters
            if inverter.storage is not Storage.DC and site.arrays_of(inverter.id)
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        gauge = scene.window.gauge(f"{subject}.ac_power")
        found, expectation = ac_power(scene, subject), scene.expected.by_subject.get(subject)
        if gauge is None or found is None or expectation is None:
            return unknown(scene, self.name, subject, f"{self.name}.not-judged")
        rating = rating_w(scene.site, subject)
        ohm = values(scene, f"{subject}.insulation_resistance")
        # What is known from afar errs more at low sun than a sensor on the roof.
        measured = scene.expected.basis == Basis.MEASURED
        names = "lit_share_measured", "lit_share"
        lit_w = rating * np.where(measured, *(scene.limit(self.name, name) for name in names))
        leaks = said(scene, subject, (Bit.EARTH_FAULT,), (InputBit.EARTH_FAULT,))[0]
        panels = [values(scene, f"{name}.dc_voltage") for name in scene.site.inputs_of(subject)]
        columns = _Columns(
            power=gauge.value,
            mains_v=values(scene, f"{subject}.l1.ac_voltage"),
            panels_v=np.fmax.reduce([values(scene, f"{subject}.dc_voltage"), *panels]),
            leaks=leaks | (ohm < scene.limit(Finding.EARTH_FAULT, "least_ohm")),
            lit=(expectation.low > lit_w) & (scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")),
            due=expectation.expected,
            temp_air=scene.expected.temp_air,
            known_ms=np.maximum(gauge.known_ms, known_ms(scene, self._channels(scene.site, subject))),
            due_known_ms=scene.expected.known_ms,
            nothing_w=scene.limit(self.name, "nothing_share") * rating,
        )
        limits = scene.limits[self.name]
        return by_days(scene, self.name, subject, partial(_day, limits, columns), partial(_summary, limits), CAUSES)

    def _channels(self, site: Site, inverter: str) -> list[str]:
        own = ("l1.ac_voltage", "dc_voltage", "event_bits", "insulation_resistance")
        of_inputs = [f"{name}.{kind}" for name in site.inputs_of(inverter) for kind in ("dc_voltage", "event_bits")]
        return [*(f"{inverter}.{name}" for name in own), *of_inputs]


def _day(limits: Mapping[str, float], columns: _Columns, day: date, part: slice, point_ms: int) -> Shown:
    usable = (columns.known_ms[part] <= point_ms) & (columns.due_known_ms[part] <= point_ms)
    power = np.where(usable, columns.power[part], np.nan)
    works = np.flatnonzero(power > columns.nothing_w)
    if not len(works):
        return Shown(day)
    first = int(works[0])
    lit = columns.lit[part] & usable
    least = limits["minutes"] * MINUTE_MS / GRID_MS
    morning = np.arange(len(power)) < first
    mains = columns.mains_v[part]
    waits = morning & lit & (power <= columns.nothing_w) & ~(mains < GRID_VOLTAGE_V) & ~(mains > NORMAL_V)
    minutes = float(np.count_nonzero(waits) * GRID_MS / MINUTE_MS)
    # A morning seen from its first light on would have shown it.
    begun = np.flatnonzero(lit)
    fit = len(begun) >= 2 * least and bool(np.isfinite(power[max(int(begun[0]) - 1, 0)])) and minutes == 0.0
    if minutes < limits["minutes"]:
        return Shown(day, fit=fit)
    leaks = bool((columns.leaks[part] & usable & morning).any())
    air = columns.temp_air[part][usable]
    told_air = air[np.isfinite(air)]
    if len(told_air):
        cold = float(np.round(told_air, 2).mean()) < limits["snow_below_degc"]
    else:
        cold = day.month in SNOW_MONTHS
    if not leaks and cold:
        return Shown(day)
    lost = np.nan_to_num(mwh(columns.due[part]))[waits].sum()
    figures = {"minutes": minutes, "leaks": float(leaks)}
    waiting, working = columns.panels_v[part][waits], columns.panels_v[part][works]
    if np.isfinite(waiting).any() and np.isfinite(working).any():
        figures["voltage_share"] = float(np.nanmedian(waiting) / max(float(np.nanmedian(working)), 1.0))
    return Shown(day, part.start + int(np.flatnonzero(waits)[0]), True, float(lost), figures)


def _summary(limits: Mapping[str, float], days: Sequence[Shown]) -> tuple[str, Mapping[str, str | float]]:
    told: dict[str, str | float] = {
        "late_minutes": round(float(np.median([day.figures["minutes"] for day in days])), 1)
    }
    if any(day.figures["leaks"] for day in days):
        return "insulation", told
    shares = [day.figures["voltage_share"] for day in days if "voltage_share" in day.figures]
    if not shares:
        return "", told
    share = float(np.median(shares))
    told["voltage_share"] = round(share, 2)
    return "array-voltage-low" if share < limits["low_voltage_share"] else "waking-threshold", told
