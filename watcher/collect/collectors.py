"""What is asked for readings: a bus of devices, or a weather service.

A collector is one bus, or one site's share of a service: what fails together is supervised together. A silent device
costs its own readings and nothing else.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from watcher.collect.modbus.bus import DeviceOnBus, ModbusBus, Polled
from watcher.collect.modbus.line import BusLine
from watcher.collect.modbus.repeats import Repeats
from watcher.collect.weather.feed import Feed, Told
from watcher.collect.weather.gaps import Gaps
from watcher.collect.weather.manners import share
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, floor_day
from watcher.domain.quantity import WEATHER_DEVICES
from watcher.domain.reading import Reading
from watcher.domain.trouble import Trouble

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
    """every_s: time between two turns. first_s: from the start to the first turn, so that not all turn at once

    For `watcher health` it may also have: refused, what it would not believe so far, by kind; down, the devices that
    do not answer, each with its CollectError; devices, the ids it asks for; trouble, a Trouble while it brings nothing
    of use. And limit_s where a turn may rightly take longer than loops.TURN_LIMIT_S.
    """

    name: str
    every_s: float
    first_s: float

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        """Ask everything once. Never raises CollectError: a fault of one device is its own."""
        ...

    async def close(self) -> None: ...


class _Spoken:
    """One log line when something goes, one when it returns. down: what is gone, with what was said of it first"""

    def __init__(self) -> None:
        self.down: dict[str, CollectError] = {}

    def failed(self, site: str, device: str, error: CollectError) -> None:
        if device not in self.down:
            self.down[device] = error
            log.warning("device-down site=%s device=%s remedy=%s error=%s", site, device, error.remedy, error)
        elif error.remedy is not self.down[device].remedy:
            self.down[device] = error

    def answered(self, site: str, device: str) -> None:
        if self.down.pop(device, None) is not None:
            log.info("device-up site=%s device=%s", site, device)


SHARE_FOR_SILENCE = 0.2
"""Of the time between two turns, the part that may go to waiting for devices which were silent before."""


class BusCollector:
    """All devices of one site on one line. trouble: while a device says the same for ever"""

    stamps_now = True  # a register carries no date: the daemon may hold what we read until it knows the time

    def __init__(self, site: str, address: str, devices: Sequence[DeviceOnBus], every_s: float, line: BusLine) -> None:
        self.name = f"{site}/{address}"
        self.every_s, self.first_s = every_s, 0.0
        self.trouble: Trouble | None = None
        self._site, self._address, self._devices = site, address, tuple(devices)
        self._bus = ModbusBus(line, devices)
        self._silences = max(1, int(SHARE_FOR_SILENCE * every_s / line.silence_s))
        self._repeats = {device.id: Repeats() for device in devices}
        self._repeated = self._offset_ms = 0
        self._spoken = _Spoken()
        self.down: Mapping[str, CollectError] = self._spoken.down
        self.devices = tuple(device.id for device in self._devices)

    @property
    def refused(self) -> Mapping[str, int]:
        """repeated: readings that only said again what was said before"""
        return {**self._bus.refused, **({"repeated": self._repeated} if self._repeated else {})}

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        """Those that answered last time come first, so that they wait for nobody."""
        readings: list[Reading] = []
        identities: dict[str, Mapping[str, str]] = {}
        repeated: Trouble | None = None
        if abs(now_ms - round(monotonic * 1000) - self._offset_ms) > MINUTE_MS:
            # The clock was set: how long a value has stood is no longer to be told from its stamps.
            self._offset_ms = now_ms - round(monotonic * 1000)
            self._repeats = {device: Repeats() for device in self._repeats}
        for device in self._turn(monotonic):
            try:
                polled = await self._bus.poll(device, now_ms, monotonic)
                self._believe(device, polled, now_ms)
            except CollectError as error:
                self._spoken.failed(self._site, device, error)
                if isinstance(error, _RepeatedError):
                    repeated = Trouble(self._address, self._site, device, error.since_ms, str(error))
                continue
            self._spoken.answered(self._site, device)
            readings.extend(polled.readings)
            if polled.identity is not None:
                identities[device] = polled.identity
        self.trouble = repeated
        return Collected(self._site, tuple(readings), identities)

    def _turn(self, monotonic: float) -> list[str]:
        """Whom to ask in this turn, in which order: of the silent ones only so many, and each in its turn."""
        silent = [id for id in self.devices if self._bus.silent(id)]
        due = [id for id in silent if self._bus.due(id, monotonic)]
        asked, later = due[: self._silences], due[self._silences :]
        # Who has to wait comes first the next time.
        self.devices = (*(id for id in self.devices if id not in asked), *asked)
        return [id for id in self.devices if id not in silent] + [id for id in silent if id not in later]

    def _believe(self, device: str, polled: Polled, now_ms: int) -> None:
        """CollectError where all of it has been said before, too long ago."""
        block = {reading.channel: reading.value for reading in polled.readings}
        if (again := self._repeats[device].judge(block, now_ms)) is not None:
            self._repeated += len(polled.readings)
            raise _RepeatedError(device, again.since_ms, str(again))

    async def close(self) -> None:
        await self._bus.close()


class _RepeatedError(CollectError):
    def __init__(self, device: str, since_ms: int, why: str) -> None:
        super().__init__(device, "reading", Remedy.RETRY, why)
        self.since_ms = since_ms


ANALYSIS, _, FORECAST = WEATHER_DEVICES
LONGEST_TURN_S = 300.0
"""A look at what is known costs nothing; only the feed decides whether the service is asked."""


class WeatherCollector:
    """One site's share of a feed: what the store lacks of it, each period once. trouble: None where all is well"""

    def __init__(self, site: str, feed: Feed, begin_ms: int, stored: Iterable[int] = ()) -> None:
        """begin_ms: periods that ended before are not asked for. stored: ends of the periods already in the store"""
        topic = feed.topic
        self.name = f"{site}/{topic.device}"
        self.every_s = min(feed.every_s, LONGEST_TURN_S)
        self.first_s = share(self.name) * self.every_s
        self.trouble: Trouble | None = None
        self.devices = (topic.device,)
        self._site, self._feed, self._begin_ms = site, feed, begin_ms
        self._first_turn_ms: int | None = None
        self._period_ms = max(1, round(topic.period_s * 1000))
        ahead, reach_ms = topic.device == FORECAST, reach_of(topic.device)
        # A feed told ahead must last until it is asked again, and a little longer.
        self._ahead_ms = round(feed.every_s * 1000) + 2 * self._period_ms if ahead else 0
        # Satellites are days behind; the others say at once what there is to say.
        self._patience_ms = reach_ms // 2 if topic.device == ANALYSIS else HOUR_MS + 2 * self._period_ms
        self._gaps = Gaps(self._period_ms, reach_ms, begin_ms, ahead, stored)

    @property
    def refused(self) -> Mapping[str, int]:
        return {"impossible": self._feed.refused} if self._feed.refused else {}

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        # The day before what is missing tells whether a service repeats itself.
        from_ms = floor_day(self._gaps.missing_from(now_ms)) - DAY_MS
        told = await self._feed.newest(self._site, from_ms, now_ms + self._ahead_ms, now_ms)
        self._judge(told, now_ms)
        return Collected(self._site, tuple(self._gaps.due(told.readings, now_ms)))

    def _judge(self, told: Told, now_ms: int) -> None:
        """Whether what is told is of use, and since when it is not."""
        if self._first_turn_ms is None:
            self._first_turn_ms = now_ms
        newest_ms = max((one.time_ms for one in told.readings if one.channel.endswith(".ghi")), default=self._begin_ms)
        if told.error is not None:
            since_ms, why = now_ms, str(told.error)
        elif newest_ms < now_ms - self._patience_ms:
            # Silent since its last word; but a start is no news, or each of many restarts would be.
            since_ms, why = max(newest_ms, self._first_turn_ms), "it answers, but tells no irradiance"
        else:
            self.trouble = None
            return
        if self.trouble is not None:
            since_ms = self.trouble.since_ms
        self.trouble = Trouble(self._feed.topic.address, self._site, self._feed.topic.device, since_ms, why)

    async def close(self) -> None:
        pass


def reach_of(device: str) -> int:
    """How far back a weather device's missing periods are still asked for. [ms]"""
    return (30 if device == ANALYSIS else 7) * DAY_MS
