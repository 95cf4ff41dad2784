"""values-stuck: an inverter is heard, and says the same power and the same voltage for an hour and a half.

Power alone may stand still, at a limit or at rest; the mains never does to the last digit. So both must, with the power
above rest and below the inverter's own limit (align/quality.py flags it and leaves it out of all sums). Without any
voltage nothing is said. Nothing is lost by it but the news.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.align.window import Bools, Floats, SampleFlag
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, last_true, previous, unknown
from watcher.detect.states import known_ms, values
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, MINUTE_MS
from watcher.domain.site import Site

CODES = ("values-stuck.not-judged", "values-stuck.moving", "values-stuck.standing-still")
SAME = 1e-6  # means of one and the same figure differ by rounding


class ValuesStuck:
    name = Finding.VALUES_STUCK

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, n = scene.window, scene.window.points
        power, channel = window.gauge(f"{subject}.ac_power"), f"{subject}.l1.ac_voltage"
        if power is None or window.gauge(channel) is None:
            return unknown(scene, self.name, subject, CODES[0])
        ends = window.ends()
        told = known_ms(scene, (channel,)) <= ends
        volts = np.where(told, values(scene, channel), np.nan)
        moved = ~_same(volts)
        began = last_true(moved)
        still_minutes = (np.arange(n) - began) * (GRID_MS / MINUTE_MS)
        flagged = (power.flags & np.uint8(SampleFlag.STUCK)) > 0
        fault = flagged & (still_minutes >= scene.limit(self.name, "minutes"))
        works = (power.value > 0.0) & (power.known_ms <= ends) & moved & previous(moved)
        verdict = np.where(fault, FAULT, np.where(works & ~np.isnan(volts), OK, UNKNOWN)).astype(np.int8)
        onset_ms = np.where(began >= 0, ends[began], window.start_ms)

        def evidence(point: int) -> Mapping[str, str | float]:
            return {"still_minutes": float(still_minutes[point]), "mains_v": round(float(volts[point]), 1)}

        nothing, zero = np.zeros(n, dtype=np.int8), np.zeros(n)
        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=verdict, codes=CODES,
            cause=nothing, cause_sets=((),), observed=np.where(fault, volts, np.nan), expected=np.full(n, np.nan),
            unit="V", onset_ms=onset_ms, onset_low_ms=np.maximum(onset_ms - GRID_MS, window.start_ms),
            onset_high_ms=onset_ms, loss_mwh=zero, arrears_mwh=zero, loss_share=0.0, evidence=evidence,
        )  # fmt: skip


def _same(column: Floats) -> Bools:
    """Where a figure is that of the interval before."""
    same = np.abs(np.diff(column)) < SAME
    return np.concatenate(([False], same))
