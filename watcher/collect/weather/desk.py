"""Where sites come for their feeds: one service for an address, one feed for a topic, however many share it."""

from __future__ import annotations

from pathlib import Path

from watcher.collect.weather.feed import Feed, Topic
from watcher.collect.weather.manners import Limits
from watcher.collect.weather.question import cell_of
from watcher.collect.weather.service import Service
from watcher.collect.weather.shelf import Shelf
from watcher.domain.site import Site, Source


class WeatherDesk:
    """folder: where answers are kept between runs"""

    def __init__(self, folder: Path, limits: Limits | None = None) -> None:
        self._limits = limits if limits is not None else Limits()
        self._shelf = Shelf(folder)
        self._services: dict[str, Service] = {}
        self._feeds: dict[Topic, Feed] = {}

    def feed(self, site: Site, source: Source) -> Feed:
        """The feed for a site's weather source. The first site of a cell gives it its offset."""
        address = source.address.rstrip("/")
        cell = cell_of(site.latitude_deg, site.longitude_deg, source.grid_deg)
        topic = Topic(address, source.shape, source.device, cell, source.period_s)
        feed = self._feeds.get(topic)
        if feed is None:
            service = self._services.get(address)
            if service is None:
                service = self._services[address] = Service(address, self._limits, self._shelf)
            feed = self._feeds[topic] = Feed(topic, service, self._shelf, source.every_s, f"{site.id}/{source.device}")
        feed.every_s = min(feed.every_s, source.every_s)
        return feed
