"""What was really wrong, in the lines that a replay writes, and what it cost in each interval.

Rule: truth names a fault as a watcher should. Beside the name stand what else may rightly be said of it, and whether
it takes energy (`energy`), misreads it (`meter`), or neither (`other`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.bench.trial.plan import Fault
from watcher.align.window import Floats
from watcher.domain.instant import GRID_MS, iso


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing wrong. first, stop: intervals of the year. lost_wh: by interval, of its stretch. size: nominal [%]"""

    finding: str
    subject: str
    causes: tuple[str, ...]
    companions: tuple[str, ...]
    kind: str
    first: int
    stop: int
    size: int
    variant: str
    lost_wh: Floats = field(default_factory=lambda: np.zeros(0))

    def onset_ms(self, begin_ms: int) -> int:
        return begin_ms + GRID_MS * self.first

    def ends_ms(self, begin_ms: int) -> int:
        return begin_ms + GRID_MS * self.stop

    def line(self, site: str, begin_ms: int) -> dict[str, Any]:
        """As watcher/replay.py's alert_line and the simulated home's truth."""
        return {
            "type": "alert",
            "site": site,
            "device": self.subject,
            "kind": self.finding,
            "cause": list(self.causes),
            "companions": list(self.companions),
            "of": self.kind,
            "onset": iso(self.onset_ms(begin_ms)),
            "cleared": iso(self.ends_ms(begin_ms)),
            "loss_kwh": round(float(self.lost_wh.sum()) / 1000.0, 3),
            "size": self.size,
            "variant": self.variant,
            "state": "cleared",
        }


def wrong_of(fault: Fault, part: slice, subject: str, kind: str, lost_wh: Floats, **more: tuple[str, ...]) -> Wrong:
    return Wrong(
        finding=fault.finding,
        subject=subject,
        causes=more.get("causes", ()),
        companions=more.get("companions", ()),
        kind=kind,
        first=part.start,
        stop=part.stop,
        size=fault.size,
        variant=fault.variant,
        lost_wh=lost_wh,
    )
