"""Sites and windows for the tests of this folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from watcher.align.window import Floats, Gauge, Ints, Window
from watcher.domain.instant import GRID_MS, POINTS_A_DAY, to_ms
from watcher.domain.site import Array, Inverter, Site

SOUTH = Array("south", 35.0, 180.0, 4000.0, "inverter-1.input-1")
LONDON_FACTS = {"latitude_deg": 51.5, "longitude_deg": -0.12, "altitude_m": 20.0, "zone": ZoneInfo("Europe/London")}


def midnight(year: int, month: int, day: int) -> int:
    return to_ms(datetime(year, month, day, tzinfo=UTC))


JUNE = midnight(2025, 6, 21)
MARCH = midnight(2025, 3, 20)
DECEMBER = midnight(2025, 12, 21)


def london(*arrays: Array, ac_limit_w: float = 3680.0, **facts: object) -> Site:
    """A London home: the given arrays, or 4 kW at 35 degrees south, behind one inverter."""
    whole = {
        "id": "home-1",
        "name": "Home",
        "arrays": arrays or (SOUTH,),
        "inverters": (Inverter("inverter-1", ac_limit_w),),
        **LONDON_FACTS,
        **facts,
    }
    return Site(**whole)  # type: ignore[arg-type]


@dataclass
class Day:
    """The 288 intervals of a day, for building gauges."""

    start_ms: int

    @property
    def ends(self) -> Ints:
        return self.start_ms + GRID_MS * np.arange(1, POINTS_A_DAY + 1, dtype=np.int64)

    def instants(self, value: Floats | float) -> Gauge:
        """Momentary values, each known at its interval's end."""
        return gauge(np.broadcast_to(np.asarray(value, dtype=np.float64), POINTS_A_DAY).copy(), self.ends)

    def means(self, value: Floats | float, period_ms: int, *, early: bool = False) -> Gauge:
        """Period means of per-interval values, known when the period is over, or (a forecast) before it began."""
        per = period_ms // GRID_MS
        whole = np.broadcast_to(np.asarray(value, dtype=np.float64), POINTS_A_DAY)
        mean = np.repeat(whole.reshape(-1, per).mean(axis=1), per)
        labels = -(-self.ends // period_ms) * period_ms
        return gauge(mean, self.ends if early else labels, labels)

    def window(self, gauges: Mapping[str, Gauge]) -> Window:
        return Window(self.start_ms, POINTS_A_DAY, dict(gauges), {})


def gauge(value: Floats, known_ms: Ints, label_ms: Ints | None = None) -> Gauge:
    """A gauge whose missing entries are known at their own ends, as align builds it."""
    labels = np.zeros(len(value), dtype=np.int64) if label_ms is None else label_ms
    columns = (value, known_ms.copy(), np.where(np.isnan(value), 0, labels), np.zeros(len(value), dtype=np.uint8))
    for column in columns:
        column.setflags(write=False)  # whoever writes to a window is found out
    return Gauge(*columns)
