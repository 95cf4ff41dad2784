"""What an owner could write in an evening: two rules on daily sums, beside which everything must show its worth.

Rules: ratio of made to expected under 0.7 three days running opens `output-low`, one day above closes it; an index that
stood still for two days while the inverter counted opens `meter-stalled`. Both speak at three the next morning.
"""

from __future__ import annotations

import numpy as np

from tests.bench.trial.judging import Judged, Said
from watcher.align.window import Bools
from watcher.domain.instant import DAY_MS, HOUR_MS

LOW_RATIO, LOW_DAYS, STILL_DAYS = 0.7, 3, 2


def naive(judged: Judged) -> tuple[Said, ...]:
    if not len(judged.days):
        return ()
    generated, metered, expected = judged.days[:, 1], judged.days[:, 2], judged.days[:, 3]
    with np.errstate(invalid="ignore", divide="ignore"):
        low = np.where(expected > 0.0, generated / expected, np.nan) < LOW_RATIO
    still = (metered == 0.0) & (generated > 500.0)
    said = _runs(judged, low, LOW_DAYS, "output-low", "inverter-1") + _runs(
        judged, still, STILL_DAYS, "meter-stalled", "meter-1"
    )
    return tuple(sorted(said, key=lambda one: one.opened_ms))


def _runs(judged: Judged, bad: Bools, days: int, finding: str, subject: str) -> list[Said]:
    first_ordinal = 719163  # 1970-01-01
    found: list[Said] = []
    run, opened_ms, onset_ms = 0, 0, 0
    for n, one in enumerate(bad):
        morning_ms = (int(judged.days[n, 0]) - first_ordinal + 1) * DAY_MS + 3 * HOUR_MS
        run = run + 1 if one else 0
        if run == days:
            opened_ms, onset_ms = morning_ms, morning_ms - days * DAY_MS - 3 * HOUR_MS
        elif not one and opened_ms:
            found.append(Said(finding, subject, (), onset_ms, opened_ms, morning_ms, 0.0, 0.0, 0.0))
            opened_ms = 0
    if opened_ms:
        found.append(Said(finding, subject, (), onset_ms, opened_ms, None, 0.0, 0.0, 0.0))
    return found
