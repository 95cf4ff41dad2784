"""What the other sites of its region tell a site that has no reference of its own, by the program's own pure code.

Rule: the neighbours are the trial's own site-years with all that befalls them, so they fail too; none is left out for
an alert, since nobody judges them here. Someone else's computer listens to all of them: in a power cut it hears none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from tests.bench.trial.calendar import Year
from tests.bench.trial.plan import REGION_SITES, SitePlan, plan
from tests.bench.trial.references import Told
from watcher.align.window import Bools, Floats
from watcher.config.site_file import load_site
from watcher.domain.instant import GRID_MS
from watcher.domain.neighbours import NEIGHBOURS, QUARTER_MS, SETTLE_MS
from watcher.domain.quantity import BOARD
from watcher.domain.site import Site
from watcher.expect import peers
from watcher.expect.geometry import Sky, sky_at

RECKONED_MS = SETTLE_MS + 7 * 60_000
"""After a quarter's end: somewhere in the round of a worker that comes by every quarter of an hour."""

_A_QUARTER = QUARTER_MS // GRID_MS


@dataclass(frozen=True, slots=True)
class _Peer:
    told: peers.Told
    means: Floats


Alone = Callable[[SitePlan], tuple[str, dict[str, Told], Bools]]
"""From a plan to its site file, its readings, and when its region was without mains."""


def from_neighbours(of: SitePlan, text: str, alone: Alone) -> dict[str, Told]:
    """The channels of the device `neighbours` of one site."""
    site = load_site(text, "trial", of.id).at(of.year.begin_ms)
    region = _region(of.seed, of.region, alone)
    known = [peer for number, peer in region if number != of.number and peer is not None]
    sky = _sky(site, of.year)
    ghi, near, dark = (np.full(len(sky.ghi), np.nan) for _ in range(3))
    for day in range(of.year.days):
        part = slice(day * peers.QUARTERS, (day + 1) * peers.QUARTERS)
        since = max(0, day - peers.LEVEL_DAYS)
        level = peers.levels({str(n): peer.means[since:day].tolist() for n, peer in enumerate(known)})
        names = [n for n in range(len(known)) if str(n) in level]
        clear = [known[n].told.clearness[part] for n in names]
        ghi[part] = peers.middle(clear, [level[str(n)] for n in names]) * sky.ghi[part]
        near[part] = np.sum([peer.told.lit[part] for peer in known], axis=0)
        dark[part] = np.sum([peer.told.dark[part] for peer in known], axis=0)
    label_ms = of.year.begin_ms + QUARTER_MS * np.arange(1, len(ghi) + 1, dtype=np.int64) + RECKONED_MS

    def column(values: Floats, keep: Bools) -> Told:
        return Told(label_ms[keep], np.round(values[keep], 1), label_ms[keep])

    return {
        f"{NEIGHBOURS}.ghi": column(ghi, np.isfinite(ghi) & (ghi > 0.0)),
        f"{NEIGHBOURS}.sites_near": column(near, near > 0),
        f"{NEIGHBOURS}.sites_dark": column(dark, near > 0),
    }


@lru_cache(maxsize=2)
def _region(seed: int, region: int, alone: Alone) -> Sequence[tuple[int, _Peer | None]]:
    """Each site of a region by its number; None where its output is not the sky's."""
    plans = [one for one in plan(seed, REGION_SITES * (region + 1)) if one.region == region]
    return [(one.number, _peer(one, *alone(one))) for one in plans]


def _peer(of: SitePlan, text: str, readings: dict[str, Told], dark: Bools) -> _Peer | None:
    site = load_site(text, "trial", of.id).at(of.year.begin_ms)
    if not peers.tells(site):
        return None
    powers = []
    for inverter in peers.generating(site):
        power = _on_grid(readings.get(f"{inverter.id}.ac_power"), of.year)
        power[(power < 0.0) | (power > 1.5 * inverter.ac_limit_w)] = np.nan
        powers.append(power)
    listened = np.isfinite(_on_grid(readings[f"{BOARD}.uptime"], of.year)) | dark
    found = peers.told(site, _sky(site, of.year), powers, listened)
    return _Peer(found, found.day_means())


def _on_grid(column: Told | None, year: Year) -> Floats:
    found = np.full(year.points, np.nan)
    if column is not None:
        place = (column.time_ms - year.begin_ms) // GRID_MS
        inside = (place >= 0) & (place < year.points)
        found[place[inside]] = column.value[inside]
    return found


def _sky(site: Site, year: Year) -> Sky:
    middles = year.begin_ms + QUARTER_MS // 2 + QUARTER_MS * np.arange(year.points // _A_QUARTER, dtype=np.int64)
    times = pd.DatetimeIndex(pd.to_datetime(middles, unit="ms", utc=True))
    return sky_at(site.latitude_deg, site.longitude_deg, site.altitude_m, times)
