"""no-generation: an inverter makes nothing although the sun is up enough that it must.

The lower edge of what was expected is added up while the inverter reports nothing at all; enough of it, in hours of
full power, opens. Any real output clears the sum. Without a reference a small share of the clear-sky bound stands in.
A silent inverter counts only where a meter that covers it alone is heard and stands still, and then at half weight.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.detect.presence import GRID_VOLTAGE_V, presence
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    Judgement,
    Scene,
    Small,
    ac_power,
    accrued,
    as_known,
    heard,
    last_true,
    mwh,
    sum_since,
    trailing_sum,
    unknown,
    usable_through,
)
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS
from watcher.domain.site import Site, Storage
from watcher.expect.expectation import Basis

CODES = (
    "no-generation.too-little-sun",
    "no-generation.generates",
    "no-generation.daylight",
    "no-generation.no-readings",
)
CAUSES: tuple[tuple[str, ...], ...] = (
    (),
    ("not-running",),
    ("dc-side-off",),
    ("ac-side-off",),
    ("circuit-off-upstream",),
    ("dc-side-off", "ac-side-off"),
)
DC_VOLTAGE_V = 20.0  # under this no panels are connected in daylight


class NoGeneration:
    name = Finding.NO_GENERATION

    def subjects(self, site: Site) -> tuple[str, ...]:
        # A battery on the DC side lets an inverter rest in full sun: its AC power says nothing about the panels.
        return tuple(
            inverter.id
            for inverter in site.inverters
            if inverter.storage is not Storage.DC and site.arrays_of(inverter.id)
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = ac_power(scene, subject)
        expectation = scene.expected.by_subject.get(subject)
        if found is None or expectation is None:
            return unknown(scene, self.name, subject, CODES[3])
        power, known_ms = found
        window, site = scene.window, scene.site
        ends = window.ends()
        peak_w = sum(array.peak_power_w for array in site.arrays_of(subject))
        rating_w = min(site.inverter(subject).ac_limit_w, peak_w)

        none = power <= scene.limit(self.name, "nothing_share") * rating_w
        producing = power > scene.limit(self.name, "producing_share") * rating_w
        still, meter_moved = _alone_meter_still(scene, subject)
        unheard = np.isnan(power)

        # What must at least have been made, in shares of the evidence that opens on this basis.
        sun = scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")
        basis = scene.expected.basis
        has_basis = (basis != Basis.NONE) & ~np.isnan(expectation.low)
        bound_share = scene.limit(self.name, "bound_share")
        least_w = np.where(has_basis, np.nan_to_num(expectation.low), bound_share * expectation.bound)
        hours = np.select(
            [basis == Basis.MEASURED, basis == Basis.SATELLITE],
            [scene.limit(self.name, "hours_measured"), scene.limit(self.name, "hours_satellite")],
            scene.limit(self.name, "hours_weather"),
        )
        share = np.where(sun, least_w, 0.0) * (GRID_MS / HOUR_MS) / (hours * rating_w)
        weight = np.where(none, 1.0, np.where(unheard & still, 0.5, 0.0))
        weight = weight * np.where(self._snow_possible(scene) & ~self._electrically_off(scene, subject), 0.1, 1.0)
        causes_here = self._cause(scene, subject)
        dark = causes_here == CAUSES.index(("circuit-off-upstream",))
        weight = weight * np.where(dark, scene.limit(self.name, "dark_weight"), 1.0)

        reset = last_true(producing | (unheard & meter_moved))
        counted = share * weight
        total = sum_since(counted, reset)
        lit = counted > 0
        raw = np.where((total >= 1.0) & lit, FAULT, np.where(producing, OK, UNKNOWN)).astype(np.int8)

        # Judged as of the last interval whose power and sunshine are both known; not for ever, though.
        through = usable_through(window, known_ms, scene.expected.known_ms)
        verdict = as_known(raw, through, window, int(scene.limit(self.name, "wait_hours") * HOUR_MS))
        fault = verdict == FAULT

        expected_mwh = np.nan_to_num(mwh(np.where(has_basis, expectation.expected, 0.0)))
        lost = np.where(none | (unheard & still), expected_mwh, 0.0)
        lost_since = sum_since(lost, reset)
        loss = np.where(fault, np.minimum(accrued(lost, through, fault), lost_since[through]), 0.0)
        began = reset[through]  # index of the last output
        last_ms = np.where(began >= 0, ends[began], window.start_ms)
        first_lit = last_true((counted > 0) & (np.concatenate(([0.0], total[:-1])) <= 0.0))[through]
        high_ms = np.where(first_lit >= 0, ends[first_lit], last_ms)

        causes = causes_here[through]

        def evidence(point: int) -> Mapping[str, str | float]:
            return {
                "expected_kwh": float(lost_since[through[point]]) / 1e6,
                "last_output_ms": float(last_ms[point]),
            }

        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=np.where(fault, 2, np.where(verdict == OK, 1, 0)).astype(np.int8),
            codes=CODES,
            cause=np.where(fault, causes, 0).astype(np.int8),
            cause_sets=CAUSES,
            observed=np.where(fault, 0.0, power[through]),
            expected=np.where(has_basis, expectation.expected, np.nan)[through],
            unit="W",
            onset_ms=last_ms.astype(np.int64),
            onset_low_ms=last_ms.astype(np.int64),
            onset_high_ms=np.maximum(high_ms, last_ms).astype(np.int64),
            loss_mwh=loss,
            arrears_mwh=np.where(fault, lost_since[through] - loss, 0.0),
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=evidence,
        )

    def _snow_possible(self, scene: Scene) -> Bools:
        """Cold over the last two days: panels may be covered (common practice, no source)."""
        air = scene.expected.temp_air
        count = int(48 * HOUR_MS // GRID_MS)
        present = trailing_sum((~np.isnan(air)).astype(float), count)
        mean = trailing_sum(np.nan_to_num(np.round(air, 2)), count) / np.maximum(present, 1.0)
        return np.asarray((present > 0) & (mean < scene.limit(self.name, "snow_below_degc")))

    def _electrically_off(self, scene: Scene, inverter: str) -> Bools:
        """No mains or no panels connected: snow leaves both."""
        grid, dc = _voltage(scene, f"{inverter}.l1.ac_voltage"), _dc_voltage(scene, inverter)
        return np.asarray((grid < GRID_VOLTAGE_V) | (dc < DC_VOLTAGE_V))

    def _cause(self, scene: Scene, inverter: str) -> Small:
        """By the silence table; an inverter awake without DC has its DC side off, one that tells no volts says less."""
        outcomes, place = presence(scene, inverter).outcomes()
        found = np.array([CAUSES.index(o.causes) if o.finding is self.name else 0 for o in outcomes], dtype=np.int8)[
            place
        ]
        grid, dc = _voltage(scene, f"{inverter}.l1.ac_voltage"), _dc_voltage(scene, inverter)
        idle = found == CAUSES.index(("not-running",))
        found[idle & (dc < DC_VOLTAGE_V)] = CAUSES.index(("dc-side-off",))
        found[idle & np.isnan(grid) & np.isnan(dc)] = 0
        return np.asarray(found)


def _voltage(scene: Scene, channel: str) -> Floats:
    gauge = scene.window.gauge(channel)
    return gauge.value if gauge is not None else np.full(scene.window.points, np.nan)


def _dc_voltage(scene: Scene, inverter: str) -> Floats:
    """The highest of the inverter's DC voltages; NaN where none is known."""
    names = [f"{inverter}.dc_voltage", *(f"{name}.dc_voltage" for name in scene.site.inputs_of(inverter))]
    columns = [gauge.value for name in names if (gauge := scene.window.gauge(name)) is not None]
    return np.fmax.reduce(columns) if columns else np.full(scene.window.points, np.nan)


def _alone_meter_still(scene: Scene, inverter: str) -> tuple[Bools, Bools]:
    """Where a meter that covers this inverter alone is heard without moving, and where it moves."""
    window = scene.window
    still, moved = np.zeros(window.points, dtype=bool), np.zeros(window.points, dtype=bool)
    for meter in scene.site.meters_covering(inverter):
        counter = window.counter(f"{meter.id}.energy_index")
        if meter.covers != (inverter,) or counter is None:
            continue
        source = scene.site.source_of(meter.id)
        every_s = source.every_s if source else 60.0
        ends = window.ends()
        moves = (counter.moved_ms > ends - GRID_MS) & (counter.moved_ms <= ends)
        moved |= moves
        patience_ms = max(30 * MINUTE_MS, int(2500 * every_s))
        quiet = (counter.moved_ms == 0) | (ends - counter.moved_ms > patience_ms)
        still |= heard(window, counter.seen_ms, every_s) & quiet
    return still, moved
