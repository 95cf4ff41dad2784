"""A second, passing connection that listens to topics nobody asked for (renamed.py says when).

Rule: the first connection is left alone. Were it asked for more, a broker could hand it the same message twice.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from watcher.collect.mqtt.connection import new_client, reach
from watcher.collect.mqtt.renamed import LOOK_S, Strangers
from watcher.collect.mqtt.settings import BrokerSettings

log = logging.getLogger(__name__)


class Lookout:
    """At one broker; one look at a time."""

    def __init__(self, settings: BrokerSettings, client_id: str, monotonic: Callable[[], float]) -> None:
        self._settings, self._client_id, self._monotonic = settings, f"{client_id}-look", monotonic
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def look(self, strangers: Strangers) -> None:
        """Listen for LOOK_S, in a thread of its own. While one look lasts, another is left out."""
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._listen, args=(strangers,), name="mqtt-lookout", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(2.0)

    def _listen(self, strangers: Strangers) -> None:
        def connected(
            client: Client, userdata: object, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
        ) -> None:
            if not reason.is_failure:
                client.subscribe([(one, 0) for one in strangers.filters])

        def arrived(client: Client, userdata: object, message: MQTTMessage) -> None:
            if not message.retain:
                strangers.note(message.topic, bytes(message.payload))

        until = self._monotonic() + LOOK_S
        try:
            client = new_client(self._settings, self._client_id, lasting=False)
            client.on_connect, client.on_message = connected, arrived
            reach(client, self._settings, lasting=False)
            while self._monotonic() < until and not self._stop.is_set():
                if client.loop(1.0) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
            client.disconnect()
        except (OSError, UnicodeDecodeError) as error:
            log.info("lookout-failed broker=%s error=%s", self._settings.address, error)
