"""Which alert is right about which fault, and what an alert is that is right about none.

Rules: right means a name that may rightly be said of the fault, on its device, opened between its onset and two days
after its end (a day is judged the next morning). An alert opened while something else is wrong with the site is
misnamed; one opened while nothing is wrong is false. A power cut, or a fault that does no harm yet, excuses nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from tests.bench.trial.judging import Judged, Said
from tests.bench.trial.truth import Wrong
from watcher.domain.instant import DAY_MS

AFTER_MS = 2 * DAY_MS
EXCUSES_NOTHING = frozenset(("meter-certification-due", "meter-unreadable", "meter-display-drift", "reading-doubtful"))


class Standing(StrEnum):
    RIGHT = "right"
    MISNAMED = "misnamed"
    FALSE = "false"


@dataclass(frozen=True, slots=True)
class Placed:
    said: Said
    standing: Standing
    wrong: int | None
    """Place of the fault it is right about."""


def is_right(said: Said, wrong: Wrong, begin_ms: int) -> bool:
    named = said.finding == wrong.finding or said.finding in wrong.companions
    device = _device(said.subject) == _device(wrong.subject) or wrong.subject == "site"
    return named and device and wrong.onset_ms(begin_ms) <= said.opened_ms <= wrong.ends_ms(begin_ms) + AFTER_MS


def place(judged: Judged) -> list[Placed]:
    """Every alert's standing, in order of opening."""
    begin_ms = judged.plan.year.begin_ms
    found: list[Placed] = []
    for said in judged.said:
        right = [n for n, one in enumerate(judged.wrongs) if is_right(said, one, begin_ms)]
        exact = [n for n in right if judged.wrongs[n].finding == said.finding]
        if right:
            found.append(Placed(said, Standing.RIGHT, (exact or right)[0]))
        elif any(_stands(one, said.opened_ms, begin_ms) for one in judged.wrongs):
            found.append(Placed(said, Standing.MISNAMED, None))
        else:
            found.append(Placed(said, Standing.FALSE, None))
    return found


def covered_wh(wrong: Wrong, stretches: Sequence[tuple[int, int]], begin_ms: int) -> float:
    """Energy of a fault's intervals that begin inside a union of stretches [ms]."""
    total, first_ms = 0.0, wrong.onset_ms(begin_ms)
    for n, lost in enumerate(wrong.lost_wh):
        at_ms = first_ms + n * GRID
        if lost > 0.0 and any(low <= at_ms < high for low, high in stretches):
            total += float(lost)
    return total


GRID = DAY_MS // 288


def _stands(wrong: Wrong, at_ms: int, begin_ms: int) -> bool:
    if wrong.finding in EXCUSES_NOTHING:
        return False
    return wrong.onset_ms(begin_ms) <= at_ms <= wrong.ends_ms(begin_ms) + AFTER_MS


def _device(subject: str) -> str:
    return subject.partition(".")[0]
