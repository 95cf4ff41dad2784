"""Brings what the worker reckoned of neighbouring sites to the store, on the way of every reading.

Rule: to reckon takes the model stack, which the daemon never loads; so the worker reckons with each round, and the
answer waits here until the site's collector comes by. What is lost on the way is reckoned anew: the worker asks the
store what there is.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from watcher.collect.collectors import Collected
from watcher.collect.weather.manners import share
from watcher.domain.instant import parse_iso
from watcher.domain.neighbours import NEIGHBOURS, label_of
from watcher.domain.reading import Reading

EVERY_S = 30.0
MOST_WAITING = 24
"""Quarters of a site; a collector that does not come by holds no more."""


class NeighbourDesk:
    """What was reckoned, by site, until it is fetched."""

    def __init__(self) -> None:
        self._waiting: dict[str, dict[int, dict[str, float]]] = defaultdict(dict)

    def put(self, told: Iterable[Mapping[str, str | float]]) -> None:
        """Take the worker's answer. The first word on a quarter holds."""
        for one in told:
            waiting = self._waiting[str(one["site"])]
            values = {name: float(value) for name, value in one.items() if name not in ("site", "quarter")}
            waiting.setdefault(parse_iso(str(one["quarter"])), values)
            for quarter_ms in sorted(waiting)[:-MOST_WAITING]:
                del waiting[quarter_ms]

    def fetch(self, site: str) -> dict[int, dict[str, float]]:
        """By the end of the quarter, the values by quantity; they wait no longer."""
        return self._waiting.pop(site, {})


class NeighbourCollector:
    """One site's share of it."""

    every_s = EVERY_S

    def __init__(self, site: str, desk: NeighbourDesk) -> None:
        self.name = f"{site}/{NEIGHBOURS}"
        self.first_s = share(self.name) * self.every_s
        self._site, self._desk = site, desk

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        told = sorted(self._desk.fetch(self._site).items())
        return Collected(
            self._site,
            tuple(
                Reading(f"{NEIGHBOURS}.{quantity}", label_of(quarter_ms, now_ms), value)
                for quarter_ms, values in told
                for quantity, value in sorted(values.items())
            ),
        )

    async def close(self) -> None:
        pass
