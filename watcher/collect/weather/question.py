"""What a weather service is asked: for which cell of its grid, and in which words. Pure.

Rule: a home's own place is never told. It is moved to the nearest node of the service's grid, so that all sites near
it are one cell, ask one question and share one answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple


class Cell(NamedTuple):
    """A node of a service's grid. [degrees, north and east positive]"""

    latitude_deg: float
    longitude_deg: float

    def __str__(self) -> str:
        return f"{self.latitude_deg:.4f} {self.longitude_deg:.4f}"


def cell_of(latitude_deg: float, longitude_deg: float, grid_deg: float) -> Cell:
    """The node nearest to a place. grid_deg: distance of two nodes, above 0 [degrees]"""

    def node(value: float) -> float:
        return round(round(value / grid_deg) * grid_deg, 4) + 0.0  # no minus zero

    return Cell(node(latitude_deg), node(longitude_deg))


@dataclass(frozen=True, slots=True)
class Question:
    """path: below the service's address, "" for the address itself. fields: of the query, not yet escaped"""

    path: str
    fields: Mapping[str, str]
