"""A settled day: what one civil day of a site came to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


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
