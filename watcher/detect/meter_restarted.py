"""meter-restarted: the register begins anew, and no exchange is on file.

Rule: one great fall, and then a series that grows by itself (align/counters.py decides that it is one). It is told
once, at the reading that decides it: someone must say whether the meter was exchanged, or what it showed before is
lost. Until then it is not compared with what it covers (meter_question.py).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.align.segments import FLAGS, Segments
from watcher.align.window import SegmentFlag
from watcher.detect.meter_question import is_answered, kept_questions
from watcher.detect.meter_register import register_of
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS
from watcher.domain.site import MeterRole, Site

CODES = ("meter-restarted.not-heard", "meter-restarted.counts-on", "meter-restarted.began-anew")
_RESTARTED = FLAGS.index(SegmentFlag.RESTARTED)


class MeterRestarted:
    name = Finding.METER_RESTARTED

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(meter.id for meter in site.meters if meter.role is MeterRole.GENERATION)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, meter = scene.window, scene.site.meter(subject)
        register = register_of(window, subject)
        if register is None:
            return unknown(scene, self.name, subject, CODES[0])
        n = window.points
        segments = Segments.of(register.segments)
        ends = window.ends()
        # Once a day: that it counts on is no news by itself.
        counts = (ends % DAY_MS == 0) & (register.moved_ms > 0) & (ends - register.moved_ms <= DAY_MS)
        verdict = np.where(counts, OK, UNKNOWN).astype(np.int8)
        code = np.where(counts, 1, 0).astype(np.int8)
        onset, low = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        facts: dict[int, Mapping[str, str | float]] = {}
        asked: dict[int, int] = {}
        least_wh = scene.limit(self.name, "least_wh")
        for place in np.flatnonzero(segments.flag == _RESTARTED).tolist():
            began_ms, told_ms = int(segments.start_ms[place]), int(segments.end_ms[place])
            at = (told_ms - 1 - window.start_ms) // GRID_MS
            before = int(np.searchsorted(ends, began_ms)) - 1
            if not 0 <= at < n or before < 0:
                continue
            old, new = float(register.shown_wh[before]), float(register.shown_wh[min(before + 1, n - 1)])
            great = old - new > least_wh  # what ran backwards has fallen by little and little
            if not great or is_answered(scene, meter, began_ms):
                continue
            verdict[at], code[at] = FAULT, 2
            asked[at] = began_ms
            onset[at], low[at] = began_ms, min(int(register.seen_ms[before]), began_ms - GRID_MS)
            observed[at], expected[at] = new, old
            facts[at] = {"before_kwh": old / 1000.0, "index_kwh": new / 1000.0, "serial": meter.serial}
        zero = np.zeros(n)
        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=np.zeros(n, dtype=np.int8),
            cause_sets=((),),
            observed=observed,
            expected=expected,
            unit="Wh",
            onset_ms=onset,
            onset_low_ms=low,
            onset_high_ms=onset,
            loss_mwh=zero,
            arrears_mwh=zero,
            loss_share=0.0,
            evidence=lambda point: facts.get(point, {}),
            figures=tuple(kept_questions(scene, meter, asked)) if asked else (),
        )
