"""meter-reversed: the register runs backwards while what it covers generates.

Rule: several falls in a row without a rise between them, together about as much as was made meanwhile. A single big
fall is an exchange or a reset; what an inverter draws at night, on a register that nets it, is far less than it makes.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.align.window import Bools, Ints
from watcher.detect.meter_register import backwards, covered_mwh, is_dial, register_of
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, heard, last_true, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS
from watcher.domain.site import MeterRole, Site

CODES = (
    "meter-reversed.too-little-energy",
    "meter-reversed.counts-up",
    "meter-reversed.runs-back",
    "meter-reversed.fell-once",
    "meter-reversed.not-heard",
)


class MeterReversed:
    name = Finding.METER_REVERSED

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(meter.id for meter in site.meters if meter.role is MeterRole.GENERATION and meter.covers)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, meter = scene.window, scene.site.meter(subject)
        register = register_of(window, subject)
        booked = None if register is None else covered_mwh(scene, meter)
        if register is None or booked is None:
            return unknown(scene, self.name, subject, "meter-reversed.no-readings")

        ends = window.ends()
        source = scene.site.source_of(subject)
        every_s = source.every_s if source else 60.0
        is_heard = heard(window, register.seen_ms, every_s)
        back = backwards(scene, meter, register, booked)
        least = 1000.0 * max(scene.limit(self.name, "steps") * meter.resolution_wh, scene.limit(self.name, "least_wh"))
        low = scene.limit(self.name, "least_share") * back.made_mwh
        high = scene.limit(self.name, "most_share") * back.made_mwh + 1000.0 * meter.resolution_wh
        runs_back = is_heard & (back.falls >= scene.limit(self.name, "falls")) & (back.fallen_mwh >= least)
        runs_back &= (back.fallen_mwh >= low) & (back.fallen_mwh <= high)
        lately_ms = max(
            int(scene.limit(self.name, "moved_hours") * HOUR_MS), int(3000 * source.every_s if source else 0)
        )
        moves = is_heard & (back.falls == 0) & (register.moved_ms > 0) & (ends - register.moved_ms <= lately_ms)

        # Nights count for neither side: a register says which way it runs only while something is made.
        verdict = np.where(runs_back & (booked > 0), FAULT, np.where(moves, OK, UNKNOWN)).astype(np.int8)
        other = np.where(is_heard, np.where(back.falls > 0, 3, 0), 4)
        code = np.where(verdict == FAULT, 2, np.where(verdict == OK, 1, other)).astype(np.int8)
        fault = verdict == FAULT
        # What was made and not counted, and what was taken off again; of each, what the last verdict did not hold yet.
        off = np.concatenate(([0.0], np.cumsum(booked + back.step_mwh)))[1:]
        before = np.concatenate(([-1], last_true(fault)[:-1]))
        loss = np.where(fault, off - off[np.maximum(before, back.begun)], 0.0)
        first_fall = _first_after(back.step_mwh > 0.0, back.begun)
        onset_ms = ends[back.begun]
        dial = is_dial(window, subject)

        def evidence(point: int) -> Mapping[str, str | float]:
            figures: dict[str, str | float] = {
                "back_kwh": float(back.fallen_mwh[point]) / 1e6,
                "inverter_kwh": float(back.made_mwh[point]) / 1e6,
                "serial": meter.serial,
            }
            return figures | ({"index_kwh": float(register.shown_wh[point]) / 1000.0} if dial else {})

        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=np.where(fault, 1, 0).astype(np.int8),
            cause_sets=((), ("register-falls",)),
            observed=np.where(fault, -back.fallen_mwh / 1000.0, np.nan),
            expected=np.where(fault, back.made_mwh / 1000.0, np.nan),
            unit="Wh",
            onset_ms=onset_ms,
            onset_low_ms=onset_ms,
            onset_high_ms=np.maximum(window.start_ms + GRID_MS * (first_fall + 1), onset_ms),
            loss_mwh=loss,
            arrears_mwh=np.where(fault, back.made_mwh + back.fallen_mwh - loss, 0.0),
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=evidence,
        )


def _first_after(mask: Bools, begun: Ints) -> Ints:
    """For each interval the first True after begun and up to it; the interval itself where there is none."""
    where = np.flatnonzero(mask)
    place = np.arange(len(mask))
    if not len(where):
        return place
    found = where[np.minimum(np.searchsorted(where, begun, side="right"), len(where) - 1)]
    return np.where((found > begun) & (found <= place), found, place)
