"""Reckons, in the worker, what neighbouring sites tell each site that asks for it, from the readings all of them have.

Rule: nothing is remembered that cannot be reckoned again. Which quarters are due follows from the newest one stored
and from how far readings have come in, so a restart loses none and repeats none; what is never told within REACH_MS
is missing and stays so. A neighbour whose readings make trouble is left out, a site whose reckoning does is told of in
the log: neither stops another. A neighbour with an open alert on what it makes says nothing of the light, and nothing
of the area from the next day on: what it lacks is its own affair by then.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from watcher.align.build import build_window
from watcher.align.window import Bools, Floats
from watcher.config.site_file import load_site
from watcher.detect.output_low import EXPLAINERS
from watcher.domain.alert import AlertState
from watcher.domain.errors import WatcherError
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, floor_day, iso
from watcher.domain.neighbours import NEIGHBOURS, QUARTER_MS, distance_km, quarter_of
from watcher.domain.quantity import BOARD
from watcher.domain.site import Site, SiteRecord, Source, SourceKind
from watcher.evaluate import History
from watcher.expect import peers
from watcher.store.ledger import Ledger

log = logging.getLogger(__name__)

REACH_MS = 3 * HOUR_MS
"""A quarter that is longer gone is not reckoned any more: days are judged by then, and late rows judge them anew."""

MOST = 12
"""Sites that are asked of all that are near: the middle of more is hardly better, and each costs."""

EVERY_DAYS = 3
"""A level is the middle of every third day of a month; ten days fix it to a few per cent, and each costs."""

SPOILS = frozenset({Finding.OUTPUT_LOW, Finding.INVERTER_SILENT, *EXPLAINERS})

TellsOf = dict[str, str | float]
"""`site`, `quarter` (its end, as text) and the values by quantity, as they go to the daemon."""


@dataclass(slots=True)
class _Round:
    """What was looked up in this round: of a site its facts, of a plant and day what it told, since when an alert on
    what it makes is open."""

    records: dict[str, SiteRecord | None] = field(default_factory=dict)
    told: dict[tuple[str, int], peers.Told | None] = field(default_factory=dict)
    spoilt: dict[str, int | None] = field(default_factory=dict)


class Neighbourhood:
    """Means of days gone by are kept while the process lives; it only saves time."""

    def __init__(self, readings: History, ledger: Ledger) -> None:
        self._readings, self._ledger = readings, ledger
        self._records: dict[str, tuple[str, SiteRecord]] = {}
        self._means: dict[tuple[str, str, int], float] = {}
        self._round = _Round()

    def tell(self, sites: Sequence[str]) -> list[TellsOf]:
        """What is due for those of the sites that ask for it. sites: all that are watched"""
        found: list[TellsOf] = []
        self._round = _Round()
        for id in sites:
            try:
                found += self._tell(id, sites)
            except Exception as error:  # one site's trouble is its own; where it lasts, judging it tells more
                log.error("neighbours-not-reckoned site=%s", id, exc_info=error)
        return found

    def _tell(self, id: str, sites: Sequence[str]) -> Iterator[TellsOf]:
        record, now_ms = self._record(id), self._readings.received_through(id)
        if record is None or now_ms is None:
            return
        site = record.at(now_ms)
        source = next((one for one in site.sources if one.kind is SourceKind.NEIGHBOURS), None)
        if source is None or (first_ms := self._readings.first(id)) is None:
            return
        newest_ms = quarter_of(now_ms)
        names = [f"{NEIGHBOURS}.{quantity}" for quantity in ("ghi", "sites_near", "sites_dark")]
        last = self._readings.last(id)
        told_ms = max((quarter_of(last[name].time_ms) for name in names if name in last), default=0)
        # What was before the site's own first reading is not asked: its history would begin before it.
        after_ms = max(told_ms, newest_ms - REACH_MS, first_ms // QUARTER_MS * QUARTER_MS)
        due = range(after_ms + QUARTER_MS, newest_ms + 1, QUARTER_MS)
        for day_ms in sorted({floor_day(quarter_ms - QUARTER_MS) for quarter_ms in due}):
            sky = peers.quarters_of_day(site, day_ms)
            begins = ((quarter_ms - QUARTER_MS - day_ms) // QUARTER_MS for quarter_ms in due)
            places = [n for n in begins if 0 <= n < peers.QUARTERS and sky.elevation_deg[n] > peers.LEAST_SUN_DEG]
            if not places:
                continue
            light, near, dark = self._of_day(self._around(site, source, sites, now_ms), day_ms)
            for n in places:
                values: TellsOf = {"sites_near": float(near[n]), "sites_dark": float(dark[n])}
                if np.isfinite(light[n]):
                    values["ghi"] = round(float(light[n] * sky.ghi[n]), 1)
                yield {"site": id, "quarter": iso(day_ms + (n + 1) * QUARTER_MS), **values}

    def _of_day(self, around: Sequence[Site], day_ms: int) -> tuple[Floats, Floats, Floats]:
        """By quarter: clearness, sites that must generate, and those of them that do not."""
        said = {peer.id: told for peer in around if (told := self._told(peer, day_ms)) is not None}
        past = [
            ms for ms in range(day_ms - peers.LEVEL_DAYS * DAY_MS, day_ms, DAY_MS) if ms // DAY_MS % EVERY_DAYS == 0
        ]
        asked = [peer for peer in around if peer.id in said and not self._spoilt(peer.id)]
        level = peers.levels({peer.id: [self._mean(peer, ms) for ms in past] for peer in asked})
        light = peers.middle([said[id].clearness for id in level], list(level.values()))
        witnesses = [said[peer.id] for peer in around if peer.id in said and not self._spoilt(peer.id, day_ms)]
        near = np.sum([one.lit for one in witnesses], axis=0, initial=0.0) * np.ones(peers.QUARTERS)
        dark = np.sum([one.dark for one in witnesses], axis=0, initial=0.0) * np.ones(peers.QUARTERS)
        return light, near, dark

    def _around(self, site: Site, source: Source, sites: Sequence[str], now_ms: int) -> list[Site]:
        """Those of its neighbours whose output is the sky's: the ones it names, or the nearest."""
        found: list[tuple[float, Site]] = []
        for id in sites:
            if id == site.id or (source.sites and id not in source.sites) or (record := self._record(id)) is None:
                continue
            peer = record.at(now_ms)
            away_km = distance_km((site.latitude_deg, site.longitude_deg), (peer.latitude_deg, peer.longitude_deg))
            if peers.tells(peer) and (source.sites or away_km <= source.within_km):
                found.append((away_km, peer))
        nearest = [peer for _, peer in sorted(found, key=lambda one: (one[0], one[1].id))]
        return nearest if source.sites else nearest[:MOST]

    def _record(self, id: str) -> SiteRecord | None:
        if id not in self._round.records:
            self._round.records[id] = self._newest_record(id)
        return self._round.records[id]

    def _newest_record(self, id: str) -> SiteRecord | None:
        versions = self._ledger.versions(id)
        if not versions:
            return None
        text = versions[-1][1]
        if id not in self._records or self._records[id][0] != text:
            try:
                self._records[id] = (text, load_site(text, f"{id} as recorded", id))
            except WatcherError:  # it is told where the site itself is judged
                return None
        return self._records[id][1]

    def _spoilt(self, id: str, before_ms: int | None = None) -> bool:
        """Whether an alert on what it makes is open. before_ms: and was so by then"""
        if id not in self._round.spoilt:
            standing = [one for one in self._ledger.standing_alerts(id) if one.finding in SPOILS]
            opened = [one.opened_ms or one.written_ms for one in standing if one.state is AlertState.OPEN]
            self._round.spoilt[id] = min(opened, default=None)
        since_ms = self._round.spoilt[id]
        return since_ms is not None and (before_ms is None or since_ms < before_ms)

    def _told(self, peer: Site, day_ms: int) -> peers.Told | None:
        """What a neighbour tells of a UTC day so far; once a round."""
        key = (peer.id, day_ms)
        if key not in self._round.told:
            try:
                self._round.told[key] = self._reckoned(peer, day_ms)
            except Exception as error:  # a neighbour's trouble is its own
                log.error("neighbour-left-out site=%s", peer.id, exc_info=error)
                self._round.told[key] = None
        return self._round.told[key]

    def _mean(self, peer: Site, day_ms: int) -> float:
        """Clearness of a day that is over; NaN where the neighbour told too little."""
        key = (peer.id, self._records[peer.id][0], day_ms)
        if key not in self._means:
            for old in [old for old in self._means if old[0] == peer.id and self._outlived(old, key)]:
                del self._means[old]
            told = self._told(peer, day_ms)
            if told is None:
                return np.nan
            self._means[key] = float(told.day_means()[0])
        return self._means[key]

    @staticmethod
    def _outlived(old: tuple[str, str, int], new: tuple[str, str, int]) -> bool:
        return old[1] != new[1] or old[2] < new[2] - peers.LEVEL_DAYS * DAY_MS

    def _reckoned(self, peer: Site, day_ms: int) -> peers.Told:
        through_ms = self._readings.received_through(peer.id)
        inverters = peers.generating(peer)
        channels = [f"{one.id}.{quantity}" for one in inverters for quantity in ("ac_power", "ac_energy")]
        begin_ms, end_ms = day_ms - HOUR_MS, day_ms + DAY_MS + HOUR_MS
        received_ms = (through_ms if through_ms is not None else begin_ms) + 1
        raw = self._readings.window(peer.id, [*channels, f"{BOARD}.uptime"], begin_ms, end_ms, received_ms)
        window = build_window(peer, raw, (), day_ms, POINTS_A_DAY)
        uptime = window.gauge(f"{BOARD}.uptime")
        listened: Bools = np.zeros(POINTS_A_DAY, dtype=bool) if uptime is None else np.isfinite(uptime.value)
        powers = [peers.power_of(window, one) for one in inverters]
        return peers.told(peer, peers.quarters_of_day(peer, day_ms), powers, listened)
