"""inverter-silent: an inverter is not heard in daylight, and what else is heard says that this is all we know.

A moving meter makes it a fault of the link. A dark meter beside it makes it one of the bus or the circuit, once that
has lasted longer than power cuts do. Nothing is concluded while most of the neighbours are dark too. A silent inverter
beside a meter that is heard and stands still is never filed here: that is `no-generation` (cases A6, G2). By night
silence is normal.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.detect.area import area, covered
from watcher.detect.exchange_day import exchange_day
from watcher.detect.presence import presence
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, usable_through
from watcher.detect.silence import InverterFact, MeterFact, Outcome
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS
from watcher.domain.site import Site, SourceKind

CODES = ("inverter-silent.nothing-to-say", "inverter-silent.heard", "inverter-silent.not-heard", "explained.area-event")


class InverterSilent:
    name = Finding.INVERTER_SILENT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(
            inverter.id
            for inverter in site.inverters
            if (source := site.source_of(inverter.id)) is not None and source.kind is not SourceKind.TYPED
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        facts, n, ends = presence(scene, subject), scene.window.points, scene.window.ends()
        outcomes, place = facts.outcomes()
        silent = np.array([_mine(outcome) for outcome in outcomes], dtype=bool)[place]
        is_heard = facts.inverter != list(InverterFact).index(InverterFact.SILENT)
        # Both without mains, or both behind a dead gateway: a power cut in the street looks the same (case G2, W4).
        dark = facts.meter == list(MeterFact).index(MeterFact.SILENT)
        dark_ms = ends - np.maximum(facts.last_heard_ms, facts.meter_heard_ms)
        silent &= ~dark | (dark_ms >= scene.limit(self.name, "dark_hours") * HOUR_MS)
        around = covered(area(scene), scene.window)
        through = usable_through(scene.window, around.known_ms)
        explained = (((through >= 0) & around.dark[through]) | exchange_day(scene, subject)) & silent
        silent &= ~explained
        cause_sets: tuple[tuple[str, ...], ...] = ((), *dict.fromkeys(o.causes for o in outcomes if _mine(o)))
        cause = np.array([cause_sets.index(o.causes) if _mine(o) else 0 for o in outcomes], dtype=np.int8)[place]
        # Never heard inside the window: silent since its beginning.
        since_ms = np.where(facts.last_heard_ms > 0, facts.last_heard_ms, scene.window.start_ms).astype(np.int64)
        nothing = np.zeros(n)

        def evidence(point: int) -> Mapping[str, str | float]:
            return {"last_heard_ms": float(since_ms[point])} if facts.last_heard_ms[point] > 0 else {}

        verdict = np.where(silent, FAULT, np.where(is_heard, OK, UNKNOWN)).astype(np.int8)
        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=np.where(explained, 3, verdict).astype(np.int8),  # UNKNOWN, OK and FAULT number the first three
            codes=CODES,
            cause=cause,
            cause_sets=cause_sets,
            observed=np.full(n, np.nan),
            expected=np.full(n, np.nan),
            unit="",
            onset_ms=np.minimum(since_ms, ends),
            onset_low_ms=np.minimum(since_ms, ends),
            onset_high_ms=np.minimum(since_ms, ends),
            loss_mwh=nothing,
            arrears_mwh=nothing,
            loss_share=0.0,
            evidence=evidence,
        )


def _mine(outcome: Outcome) -> bool:
    return outcome.finding is Finding.INVERTER_SILENT
