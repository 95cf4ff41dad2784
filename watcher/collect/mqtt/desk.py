"""Where sites come for their brokers: one connection for an address, however many share it. Loaded where one is."""

from __future__ import annotations

import socket
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from watcher.clock import Clock
from watcher.collect.mqtt.collector import DeviceAtBroker, MqttCollector
from watcher.collect.mqtt.connection import BrokerConnection
from watcher.collect.mqtt.hints import ThousandTimes
from watcher.collect.mqtt.intake import Intake
from watcher.collect.mqtt.lookout import Lookout
from watcher.collect.mqtt.renamed import Renamed
from watcher.collect.mqtt.settings import BrokerSettings, own_client_id
from watcher.collect.mqtt.topic_map import TopicMap, TopicRule
from watcher.domain.reading import Reading
from watcher.domain.site import Site, Source


@dataclass(frozen=True, slots=True)
class _Broker:
    connection: BrokerConnection
    lookout: Lookout


class BrokerDesk:
    """settings: of the brokers that the watcher file names, by address. Others are reached without a password."""

    def __init__(
        self, settings: Mapping[str, BrokerSettings], maps: Mapping[str, TopicMap], data_folder: Path, clock: Clock
    ) -> None:
        self._settings, self._maps, self._clock = dict(settings), maps, clock
        self._client_id = own_client_id(socket.gethostname(), data_folder)
        self._brokers: dict[str, _Broker] = {}

    def collector(
        self, site: Site, address: str, sources: Sequence[Source], stored: Callable[[], Mapping[str, Reading]]
    ) -> MqttCollector:
        """For a site's devices at one broker. stored: the newest reading of each channel; counts go on from there"""
        broker = self._broker(address)
        devices: list[DeviceAtBroker] = []
        rules: list[TopicRule] = []
        for source in sources:
            own = self._maps[source.map].of(source.topic or source.device)
            counts = stored() if any(rule.increments for rule in own) else {}
            box = broker.connection.add(own)
            devices.append(DeviceAtBroker(Intake(source.device, counts), box, _hints(site, source.device)))
            rules += own
        renamed = Renamed(rules, lambda: broker.connection.filters, broker.lookout.look)
        return MqttCollector(site.id, broker.connection, tuple(devices), self._clock.trusted, renamed, broker.lookout)

    def _broker(self, address: str) -> _Broker:
        broker = self._brokers.get(address)
        if broker is None:
            settings = self._settings.get(address, BrokerSettings(address))
            connection = BrokerConnection(settings, self._client_id, self._clock.monotonic)
            lookout = Lookout(settings, connection.client_id, self._clock.monotonic)
            broker = self._brokers[address] = _Broker(connection, lookout)
        return broker


def _hints(site: Site, device: str) -> dict[str, ThousandTimes]:
    limits = {inverter.id: inverter.ac_limit_w for inverter in site.inverters}
    if device not in limits:
        return {}
    name = f"{device}.ac_power"
    return {name: ThousandTimes(name, limits[device])}
