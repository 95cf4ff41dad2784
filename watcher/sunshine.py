"""Past sunshine of a place, from what is kept on disk. For the worker and the commands: it needs numpy.

Rule: of two sources the better basis counts, of two nodes the nearer; nothing is asked of anyone here.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import cos, hypot, radians
from pathlib import Path

import numpy as np

from watcher.align.window import Floats
from watcher.domain.instant import HOUR_MS
from watcher.expect.expectation import Basis
from watcher.expect.past_sunshine import COLUMNS, PastSunshine, joined
from watcher.store.sunshine import FOLDER, MISSING, SCALES, KeptYear, Node, SunshineStore, year_bounds

BASES: Mapping[str, Basis] = {"measured": Basis.MEASURED, "satellite": Basis.SATELLITE, "weather": Basis.WEATHER}
"""By the word in a kept file's name, the best first."""


def kept_sunshine(
    store: SunshineStore, latitude_deg: float, longitude_deg: float, from_ms: int, until_ms: int
) -> PastSunshine:
    """The hours that end in (from_ms, until_ms] over a place, from every node that serves it.

    All hours are there; those of which nothing is kept are not known. Empty folders give no known hour, no error.
    """
    nodes = [node for node in store.nodes() if node.serves(latitude_deg, longitude_deg)]
    nodes.sort(key=lambda node: _apart(node, latitude_deg, longitude_deg))
    parts: list[PastSunshine] = []
    for basis in BASES:
        for node in nodes:
            for kind in store.kinds(node):
                first_ms, next_ms = year_bounds(kind.year)
                if kind.basis != basis or next_ms <= from_ms or first_ms >= until_ms:
                    continue
                if (year := store.year(node, kind)) is not None:
                    parts.append(_hours(year))
    return joined(parts).over(from_ms, until_ms)


def sunshine_store(data_folder: Path) -> SunshineStore:
    return SunshineStore(data_folder / FOLDER)


def _hours(year: KeptYear) -> PastSunshine:
    first_ms, next_ms = year_bounds(year.kind.year)
    ends = np.arange(first_ms + HOUR_MS, next_ms + 1, HOUR_MS, dtype=np.int64)
    columns: dict[str, Floats] = {}
    for name in COLUMNS:
        whole = np.frombuffer(year.columns[name], dtype=np.int16)
        columns[name] = np.where(whole == MISSING, np.nan, whole / SCALES[name])
    ghi = np.maximum(columns["ghi"], 0.0)
    basis = np.where(np.isnan(ghi), Basis.NONE, BASES[year.kind.basis]).astype(np.int8)
    return PastSunshine(ends, ghi, columns["temp_air"], columns["wind_speed"], basis)


def _apart(node: Node, latitude_deg: float, longitude_deg: float) -> float:
    """Degrees of latitude between a node and a place, near enough to say which of two is nearer."""
    east = (node.longitude_deg - longitude_deg) * cos(radians(latitude_deg))
    return hypot(node.latitude_deg - latitude_deg, east)
