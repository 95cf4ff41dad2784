"""A whole simulated fleet from its seed: homes, what their meters showed, and the sunshine an archive tells of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.align.window import Floats
from watcher.simulate.fleet import BEGIN_MS, END_MS, HALF_DEAD, REGIONS, STOPPED, FleetHome, draw_fleet
from watcher.simulate.fleet_readings import Book, keep_book
from watcher.simulate.fleet_roof import counted_wh, everyday_dirt, made_wh
from watcher.simulate.fleet_sky import ArchiveErrors, Cell, CellSky, cell_sky, hours_of, region_clearness, told


@dataclass(frozen=True, slots=True, eq=False)
class FleetWorld:
    """homes: each with its readings. cells: by id, what really came down, and what the archive tells of it [W/m2]"""

    homes: tuple[tuple[FleetHome, Book], ...]
    cells: dict[str, tuple[Cell, CellSky, Floats]]


def fleet_world(count: int, seed: int, half_dead: int = HALF_DEAD, stopped: int = STOPPED) -> FleetWorld:
    """The same for the same seed."""
    rng = np.random.default_rng(seed)
    cells, homes = draw_fleet(count, rng, half_dead, stopped)
    ends = hours_of(BEGIN_MS, END_MS)
    regions = [region_clearness(ends, rng) for _ in REGIONS]
    skies = {cell.id: cell_sky(cell, ends, regions[cell.region], rng) for cell in cells}
    archive = {cell.id: (cell, skies[cell.id], told(skies[cell.id], ArchiveErrors(), rng)) for cell in cells}
    found = []
    for home in homes:
        sky = skies[home.cell.id]
        made = made_wh(home.roof, sky, home.fault, everyday_dirt(len(ends), rng))
        found.append((home, keep_book(home, counted_wh(made, sky, home.fault), rng)))
    return FleetWorld(tuple(found), archive)
