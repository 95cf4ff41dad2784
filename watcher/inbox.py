"""Readings on their way to the store, in bounded memory.

Rule: nothing is dropped while there is room. When there is none, gauges are thinned: every second one of a channel,
where they stand closest, oldest first, so that a long wait leaves a coarser picture and no hole. Registers that count
go last, for energy exists only between two of their readings; so does the sign that we were there to listen. Whatever
is given up is counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

from watcher.collect.collectors import Collected
from watcher.domain.quantity import BOARD, Kind, channel
from watcher.domain.reading import Reading

INBOX_LIMIT = 200_000
"""Readings held while the store cannot be written: some 40 MB, two hours of twenty channels each second."""


class Inbox:
    """By site. A site without readings still has an entry in a batch, so that its watermark moves."""

    def __init__(self, sites: Sequence[str], limit: int = INBOX_LIMIT) -> None:
        self._held: dict[str, list[Reading]] = {site: [] for site in sites}
        self._share = max(1, limit // max(1, len(self._held)))
        self.lost = 0

    def __len__(self) -> int:
        return sum(map(len, self._held.values()))

    def add(self, collected: Collected) -> None:
        self._held[collected.site].extend(collected.readings)
        self._fit(collected.site)

    def take(self) -> dict[str, list[Reading]]:
        """Everything held, one entry a site; the inbox is empty then."""
        taken = self._held
        self._held = {site: [] for site in taken}
        return taken

    def put_back(self, batches: Mapping[str, list[Reading]]) -> None:
        """What could not be stored stands before what has come since."""
        for site, readings in batches.items():
            self._held[site] = [*readings, *self._held[site]]
            self._fit(site)

    def _fit(self, site: str) -> None:
        held = self._held[site]
        if len(held) > self._share:
            # To look through all of them is work, so room is made for more than the newest few.
            excess = len(held) - self._share * 7 // 8
            self.lost += excess
            self._held[site] = thinned(held, excess)


def thinned(readings: Sequence[Reading], excess: int) -> list[Reading]:
    """The readings, in order, without `excess` of them."""
    gone: set[int] = set()
    while len(gone) < excess and (candidates := _every_second(readings, gone)):
        gone.update(place for _, place in sorted(candidates)[: excess - len(gone)])
    for last in (False, True):
        for place, reading in enumerate(readings):
            if len(gone) == excess:
                break
            if place not in gone and _goes_last(reading.channel) is last:
                gone.add(place)
    return [reading for place, reading in enumerate(readings) if place not in gone]


def _every_second(readings: Sequence[Reading], gone: set[int]) -> list[tuple[int, int]]:
    """The gap it would leave, and its place, for every second reading of each gauge; never the oldest or the newest."""
    found: list[tuple[int, int]] = []
    before: dict[str, tuple[int, int | None]] = {}
    for place, (name, time_ms, _) in enumerate(readings):
        if place in gone or _goes_last(name):
            continue
        earlier_ms, between = before.get(name, (time_ms, None))
        if name in before and between is None:
            before[name] = (earlier_ms, place)
            continue
        if between is not None:
            found.append((time_ms - earlier_ms, between))
        before[name] = (time_ms, None)
    return found


@cache
def _goes_last(name: str) -> bool:
    if name.startswith(f"{BOARD}."):
        return True
    try:
        return channel(name).quantity.kind in (Kind.COUNTER, Kind.DAY_COUNTER)
    except ValueError:
        return False
