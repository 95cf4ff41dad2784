"""A settled day: what one civil day of a site came to, and what its detectors keep of it for later days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from watcher.domain.finding import Finding

PAST_DAYS = 400
"""How far back the figures of earlier days are given to a detector."""


@dataclass(frozen=True, slots=True)
class SettledDay:
    """Figures of one civil day of the site, 23 to 25 hours long.

    generated_wh: AC energy of the inverters; None where nothing was heard
    metered_wh: energy on the generation meters; None where none was heard
    expected_wh: energy the sun and the equipment allowed; None where no reference was
    coverage: share of the day's grid intervals in which every inverter was heard, asleep at night included [0..1]
    """

    site: str
    day: date
    revision: int
    settled_ms: int
    generated_wh: float | None
    metered_wh: float | None
    expected_wh: float | None
    coverage: float


@dataclass(frozen=True, slots=True)
class DayFigure:
    """What a day detector keeps of one civil day of one subject, for days that lie further back than its window.

    revision: 1 when the day first settled, one more each time it settled again. values: finite numbers by name
    """

    finding: Finding
    subject: str
    day: date
    revision: int
    settled_ms: int
    values: Mapping[str, float]

    def __hash__(self) -> int:
        """Without the values: figures are never changed, so what is read from one can be kept beside it."""
        return hash((self.finding, self.subject, self.day, self.revision, self.settled_ms))


Past = Mapping[tuple[Finding, str], Sequence[DayFigure]]
"""By finding and subject the newest revision of each earlier day, ascending by day."""


@dataclass(frozen=True, slots=True)
class DaySheet:
    """What was measured and expected on a civil day, interval by interval. content: bytes of domain/sheet.py"""

    day: date
    revision: int
    settled_ms: int
    content: bytes
