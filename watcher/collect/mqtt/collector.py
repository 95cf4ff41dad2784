"""One site's share of a broker: what its devices published since the last turn."""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from watcher.collect.collectors import Collected
from watcher.collect.mqtt.connection import BUFFERED, Away, Box, BrokerConnection
from watcher.collect.mqtt.hints import ThousandTimes
from watcher.collect.mqtt.intake import Intake, LastKnown, Message, Spoilt
from watcher.collect.mqtt.lookout import Lookout
from watcher.collect.mqtt.renamed import Renamed
from watcher.domain.instant import floor_grid
from watcher.domain.quantity import BOARD
from watcher.domain.reading import Reading
from watcher.domain.trouble import Trouble

log = logging.getLogger(__name__)

TURN_S = 5.0
"""What has come is fetched so often; how often a device speaks is its own affair."""

_AT_ONCE = 250
"""Messages between two moments in which the daemon's other loops get their turn."""

_LINE_EVERY_S = 3600.0
_TOPICS = 500


@dataclass(frozen=True, slots=True)
class DeviceAtBroker:
    """intake: its messages in, its readings out. box: where the connection leaves them. hints: by channel"""

    intake: Intake
    box: Box
    hints: Mapping[str, ThousandTimes] = field(default_factory=dict)


class MqttCollector:
    """All devices of one site at one broker.

    refused: messages and values not taken, and what went wrong with the connection, by kind
    refused_topics: messages and values by topic. trouble: None where all is well
    trusted: whether the wall clock may date a message; until then messages wait
    """

    def __init__(
        self,
        site: str,
        connection: BrokerConnection,
        devices: tuple[DeviceAtBroker, ...],
        trusted: Callable[[], bool] = lambda: True,
        renamed: Renamed | None = None,
        lookout: Lookout | None = None,
    ) -> None:
        self.name = f"{site}/{connection.settings.address}"
        self.every_s, self.first_s = TURN_S, 0.0
        self.trouble: Trouble | None = None
        self.devices = tuple(device.intake.device for device in devices)
        self._notes: list[str] = []
        self._site, self._connection, self._at_broker, self._trusted = site, connection, devices, trusted
        self._renamed, self._lookout = renamed, lookout
        self._said: dict[str, float] = {}
        self._listened_ms = -1

    @property
    def refused(self) -> Mapping[str, int]:
        counted = Counter(self._connection.refused)
        for device in self._at_broker:
            counted.update(device.intake.refused)
            counted["given-up"] += device.box.given_up
        return +counted

    @property
    def refused_topics(self) -> Mapping[str, int]:
        counted: Counter[str] = Counter()
        for device in self._at_broker:
            counted.update(device.intake.refused_topics)
        return counted

    @property
    def last_known(self) -> Mapping[str, LastKnown]:
        """The newest of each channel, of which the age may not be known; never a reading by being here."""
        return {name: known for device in self._at_broker for name, known in device.intake.last_known.items()}

    def told(self) -> list[str]:
        """Questions to the operator that have come up since it was last asked."""
        notes, self._notes = self._notes, []
        return notes

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        up = self._connection.up()
        self._judge(self._connection.away, now_ms, monotonic)
        readings: list[Reading] = []
        if self._trusted():
            for device in self._at_broker:
                for _ in range(BUFFERED // _AT_ONCE):  # what comes faster than that waits for the next turn
                    if not (messages := device.box.take(_AT_ONCE)):
                        break
                    readings += self._take(device, messages, now_ms, monotonic)
                    await asyncio.sleep(0)
                readings += self._take(device, [], now_ms, monotonic)
            readings += self._listened(now_ms, monotonic)
        if self._renamed is not None and up:
            heard = {topic: at for device in self._at_broker for topic, at in device.intake.heard.items()}
            self._notes += self._renamed.turn(heard, monotonic)
        return Collected(self._site, tuple(readings))

    def _listened(self, now_ms: int, monotonic: float) -> list[Reading]:
        """Once an interval: the broker is reached. A device's silence means something only then."""
        up_for = self._connection.up_for(monotonic)
        if up_for is None or floor_grid(now_ms) == self._listened_ms:
            return []
        self._listened_ms = floor_grid(now_ms)
        return [Reading(f"{BOARD}.{one}.uptime", now_ms, round(up_for)) for one in self.devices]

    def _take(self, device: DeviceAtBroker, messages: list[Message], now_ms: int, monotonic: float) -> list[Reading]:
        taken = device.intake.take(messages, now_ms, monotonic)
        for spoilt in taken.spoilt:
            self._say(spoilt, monotonic)
        if device.hints:
            for reading in taken.readings:
                hint = device.hints.get(reading.channel)
                if hint is not None and (note := hint.note(reading.time_ms, reading.value)):
                    self._notes.append(f"{self._site}: {note}")
        return taken.readings

    def _say(self, spoilt: Spoilt, monotonic: float) -> None:
        """One line for a topic and hour, whatever goes wrong under it."""
        last = self._said.get(spoilt.topic)
        if last is None and len(self._said) >= _TOPICS:
            return
        if last is None or monotonic - last >= _LINE_EVERY_S:
            self._said[spoilt.topic] = monotonic
            why, value, found = spoilt.refused.why, spoilt.refused.value, spoilt.refused.found
            log.warning(
                "message-refused site=%s topic=%r why=%s value=%s found=%s", self._site, spoilt.topic, why, value, found
            )

    def _judge(self, away: Away | None, now_ms: int, monotonic: float) -> None:
        address, denied = self._connection.settings.address, sorted(self._connection.denied)
        if away is not None:
            since_ms, why = now_ms - round((monotonic - away.since) * 1000), away.why
        elif denied:
            since_ms, why = now_ms, "it does not let us read " + ", ".join(denied[:5])
        else:
            self.trouble = None
            return
        if self.trouble is not None:
            since_ms = self.trouble.since_ms
        self.trouble = Trouble(address, self._site, self.devices[0], since_ms, why)

    async def close(self) -> None:
        if self._lookout is not None:
            await asyncio.to_thread(self._lookout.close)
        await asyncio.to_thread(self._connection.close)
