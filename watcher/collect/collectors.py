"""What is asked for readings: a bus of devices, or a weather service.

A collector is one bus or one service: what fails together is supervised together. A silent device costs its own
readings and nothing else.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from watcher.collect.modbus.client import DeviceOnBus, ModbusTcpBus
from watcher.collect.weather.client import WeatherService
from watcher.domain.errors import CollectError
from watcher.domain.instant import HOUR_MS
from watcher.domain.reading import Reading

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Collected:
    """What one turn brought for one site.

    identities: device to what it said of itself (maker, model, serial, version as text), when read anew
    """

    site: str
    readings: tuple[Reading, ...] = ()
    identities: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


class Collector(Protocol):
    name: str
    every_s: float

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        """Ask everything once. Never raises CollectError: a fault of one device is its own."""
        ...

    async def close(self) -> None: ...


class _Spoken:
    """One log line when something goes, one when it returns."""

    def __init__(self) -> None:
        self._down: set[str] = set()

    def failed(self, site: str, device: str, error: CollectError) -> None:
        if device not in self._down:
            self._down.add(device)
            log.warning("device-down site=%s device=%s remedy=%s error=%s", site, device, error.remedy, error)

    def answered(self, site: str, device: str) -> None:
        if device in self._down:
            self._down.discard(device)
            log.info("device-up site=%s device=%s", site, device)


class BusCollector:
    """All devices of one site behind one address."""

    def __init__(self, site: str, address: str, devices: Sequence[DeviceOnBus], every_s: float) -> None:
        self.name = f"{site}/{address}"
        self.every_s = every_s
        self._site, self._devices = site, tuple(devices)
        self._bus = ModbusTcpBus(address, devices)
        self._spoken = _Spoken()

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        readings: list[Reading] = []
        identities: dict[str, Mapping[str, str]] = {}
        for device in self._devices:
            try:
                polled = await self._bus.poll(device.id, now_ms, monotonic)
            except CollectError as error:
                self._spoken.failed(self._site, device.id, error)
                continue
            self._spoken.answered(self._site, device.id)
            readings.extend(polled.readings)
            if polled.identity is not None:
                identities[device.id] = polled.identity
        return Collected(self._site, tuple(readings), identities)

    async def close(self) -> None:
        await self._bus.close()


class WeatherCollector:
    """One weather service for one site. Asks again for the last hours: what came late is filled in."""

    REACH_MS = 48 * HOUR_MS

    def __init__(self, site: str, service: WeatherService, every_s: float, have_through_ms: int | None) -> None:
        self.name = f"{site}/{service.device}"
        self.every_s = every_s
        self._site, self._service = site, service
        self._have_through_ms = have_through_ms
        self._spoken = _Spoken()

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        lately_ms = now_ms - 3 * HOUR_MS
        have_ms = self._have_through_ms if self._have_through_ms is not None else lately_ms
        from_ms = max(now_ms - self.REACH_MS, min(have_ms, lately_ms))
        try:
            readings = await self._service.fetch(from_ms, now_ms)
        except CollectError as error:
            self._spoken.failed(self._site, self._service.device, error)
            return Collected(self._site)
        self._spoken.answered(self._site, self._service.device)
        if readings:
            self._have_through_ms = max(reading.time_ms for reading in readings)
        return Collected(self._site, tuple(readings))

    async def close(self) -> None:
        pass
