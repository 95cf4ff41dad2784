"""meter-stalled: the meter is heard, its register stands still, and what it covers has clearly generated.

Energy the inverters made since the register last moved is held against the register's own step (case B1).
Compares sums of what was counted while watched, so neither night nor gap books yesterday's dusk this morning.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.detect.meter_register import backwards, covered_mwh, is_dial, register_of, still_since
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, heard, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS
from watcher.domain.site import Meter, MeterRole, Site

CODES = (
    "meter-stalled.too-little-energy",
    "meter-stalled.moves",
    "meter-stalled.index-still",
    "meter-stalled.not-heard",
)


class MeterStalled:
    name = Finding.METER_STALLED

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(meter.id for meter in site.meters if meter.role is MeterRole.GENERATION and meter.covers)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, meter = scene.window, scene.site.meter(subject)
        counter = register_of(window, subject)
        booked = None if counter is None else covered_mwh(scene, meter)
        if counter is None or booked is None:
            return unknown(scene, self.name, subject, "meter-stalled.no-readings")

        ends, n = window.ends(), window.points
        source = scene.site.source_of(subject)
        is_heard = heard(window, counter.seen_ms, source.every_s if source else 60.0)
        # One that runs backwards does not stand still (meter_reversed.py).
        falls = backwards(scene, meter, counter, booked)
        changed_ms = still_since(counter, falls, window)
        # What a great fall was, the readings after it must say: until then it is no standing still.
        undecided = (counter.shown_wh < counter.index_wh) & (falls.falls == 0)

        # A register that has not moved inside the window is watched from its first reading there.
        first_seen = int(np.argmax(counter.seen_ms > 0)) if bool((counter.seen_ms > 0).any()) else n
        moved = np.where(changed_ms > 0, (changed_ms - window.start_ms) // GRID_MS, first_seen)
        moved = np.minimum(moved, np.arange(n))
        # It can be blamed only for what was surely made while it was watched: after its last move by the pace of the
        # slowest inverter, since what is booked sooner may be older, and before its last reading.
        watched = np.where(np.arange(n) >= first_seen, (counter.seen_ms - 1 - window.start_ms) // GRID_MS, 0)
        watched = np.clip(watched, 0, np.arange(n))
        begun = np.minimum(moved + _pace_ms(scene, meter) // GRID_MS, np.arange(n))
        total = np.concatenate(([0.0], np.cumsum(booked)))
        since = np.maximum(total[watched] - total[begun], 0.0)
        made_since = total[1:] - total[begun]

        step_mwh = meter.resolution_wh * 1000.0
        limit = max(scene.limit(self.name, "steps") * step_mwh, scene.limit(self.name, "least_wh") * 1000.0)
        lately_ms = max(
            int(scene.limit(self.name, "moved_hours") * HOUR_MS), int(3000 * (source.every_s if source else 0))
        )
        last_ms = np.where(changed_ms > 0, changed_ms, window.start_ms + GRID_MS * moved)
        patience_ms = int(scene.limit(self.name, "still_minutes") * MINUTE_MS)
        still = is_heard & ~undecided & (since >= limit) & (counter.seen_ms - last_ms >= patience_ms)
        moves = is_heard & ~still & (counter.moved_ms > 0) & (ends - counter.moved_ms <= lately_ms)

        # Nights count for neither side: a standing register says something only while something is made.
        generating = booked > 0
        verdict = np.where(still & generating, FAULT, np.where(moves, OK, UNKNOWN)).astype(np.int8)
        code = np.where(verdict == FAULT, 2, np.where(verdict == OK, 1, np.where(is_heard, 0, 3))).astype(np.int8)
        loss = np.where(verdict == FAULT, booked, 0.0)

        next_step = np.searchsorted(total[1:], total[moved + 1] + step_mwh)
        high_ms = window.start_ms + GRID_MS * (np.minimum(next_step, np.arange(n)) + 1)

        dial = is_dial(window, subject)

        def evidence(point: int) -> Mapping[str, str | float]:
            figures: dict[str, str | float] = {
                "inverter_kwh": float(made_since[point]) / 1e6,
                "last_moved_ms": float(last_ms[point]),
                "serial": meter.serial,
            }
            return figures | ({"index_kwh": float(counter.index_wh[point]) / 1000.0} if dial else {})

        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=np.where(verdict == FAULT, 1, 0).astype(np.int8),
            cause_sets=((), ("register-still",)),
            observed=np.where(verdict == FAULT, 0.0, np.nan),
            expected=np.where(verdict == FAULT, since / 1000.0, np.nan),
            unit="Wh",
            onset_ms=last_ms.astype(np.int64),
            onset_low_ms=last_ms.astype(np.int64),
            onset_high_ms=np.maximum(high_ms, last_ms).astype(np.int64),
            loss_mwh=loss,
            arrears_mwh=np.where(verdict == FAULT, made_since - booked, 0.0),
            loss_share=scene.limit(self.name, "loss_share"),
            evidence=evidence,
        )


def _pace_ms(scene: Scene, meter: Meter) -> int:
    """How far apart the readings of the slowest inverter it covers are, at least one interval."""
    sources = [source for name in meter.covers if (source := scene.site.source_of(name)) is not None]
    return max([GRID_MS, *(round(1000 * max(source.every_s, source.period_s)) for source in sources)])
