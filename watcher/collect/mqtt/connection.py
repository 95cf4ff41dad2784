"""The connection to one broker: the only file that imports paho, in a thread of its own.

Rule: what arrives is read there and buffered; the daemon's loop only takes it. A broker that is away, refuses us or
cannot be trusted is tried again, later each time and never in step with others; nothing but that thread ever waits for
it. A certificate that is not good ends the attempt: there is no way to go on without. A full buffer makes the broker
wait; only when it stays full is it thinned, and that is counted.
"""

from __future__ import annotations

import logging
import random
import socket
import ssl
import threading
from collections import Counter, deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import NamedTuple
from urllib.parse import urlsplit

from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY, Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from watcher.collect.mqtt.intake import Message
from watcher.collect.mqtt.payload import contents
from watcher.collect.mqtt.settings import BrokerSettings, Version
from watcher.collect.mqtt.topic_map import TopicRule, matches

log = logging.getLogger(__name__)

KEEPALIVE_S = 60
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 120.0
SESSION_S = 14 * 86_400
"""How long a broker is asked to keep a session of ours (version 5; with 3.1.1 that is its own affair)."""

WAITED_S = 5.0
"""Messages that come so soon after a session was taken up again may be those that waited in it."""

STEADY_S = 300.0
"""A connection that has stood so long is no longer in trouble; one that comes and goes is one trouble, not many."""

BUFFERED = 20_000
"""Messages held for one device until they are taken."""
_FULL_WAIT_S = 5.0
_KNOWN_TOPICS = 10_000


class Away(NamedTuple):
    """since: when it was first noticed, on the monotonic clock. why: in words"""

    since: float
    why: str


class Box:
    """Messages for one device, from the connection's thread to the daemon's. given_up: how many found no room"""

    def __init__(self, rules: Sequence[TopicRule], limit: int = BUFFERED) -> None:
        self.rules = tuple(rules)
        self.given_up = 0
        self._limit = limit
        self._held: deque[Message] = deque()
        self._room = threading.Condition()

    def put(self, message: Message, wait_s: float = _FULL_WAIT_S) -> None:
        """Waits a while where there is no room: so long the broker keeps what else there is."""
        with self._room:
            if len(self._held) >= self._limit and not self._room.wait_for(self._has_room, wait_s):
                kept = thinned(self._held)
                self.given_up += len(self._held) - len(kept)
                self._held = deque(kept)
            self._held.append(message)

    def take(self, most: int) -> list[Message]:
        with self._room:
            taken = [self._held.popleft() for _ in range(min(most, len(self._held)))]
            self._room.notify_all()
        return taken

    def _has_room(self) -> bool:
        return len(self._held) < self._limit


def thinned(messages: Sequence[Message]) -> list[Message]:
    """Every second message of each topic, oldest first, the newest kept; of numbered or added-up counts all but old.

    Where nothing but increments is left, the older half goes: their numbers tell how many are missed.
    """
    kept: list[Message] = []
    odd: dict[str, bool] = {}
    for message in reversed(messages):
        odd[message.topic] = not odd.get(message.topic, False)
        if odd[message.topic] or message.rule.increments:
            kept.append(message)
    kept.reverse()
    return kept if len(kept) < len(messages) else kept[len(kept) // 2 :]


class _ClosedWhenRefused(ssl.SSLSocket):
    """paho leaves a socket open whose handshake failed; every try would cost one."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def new_client(settings: BrokerSettings, client_id: str, *, lasting: bool) -> Client:
    """A client that is not connected yet. lasting: whether the broker keeps what comes while we are away"""
    five = settings.version is Version.V5
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if five else not lasting,
        protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
    )
    client.connect_timeout = 10.0
    if settings.user:
        client.username_pw_set(settings.user, settings.password and settings.password())
    if settings.address.startswith("mqtts:"):
        context = ssl.create_default_context(cafile=settings.ca_file)
        context.sslsocket_class = _ClosedWhenRefused
        if settings.certificate_file is not None:
            context.load_cert_chain(settings.certificate_file, settings.key_file)
        client.tls_set_context(context)
    return client


def reach(client: Client, settings: BrokerSettings, *, lasting: bool) -> None:
    """Connect, as far as the socket goes. OSError where there is no way; ssl's own where it is not safe."""
    url, properties = urlsplit(settings.address), None
    if settings.version is Version.V5 and lasting:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_S
    clean_start = not lasting if settings.version is Version.V5 else MQTT_CLEAN_START_FIRST_ONLY
    client.connect(url.hostname or "", url.port or 1883, KEEPALIVE_S, clean_start=clean_start, properties=properties)


class BrokerConnection:
    """One broker. refused: what went wrong with the connection so far, by kind.

    away: since when and why it is not reachable; None where it is. denied: topics that it does not let us read
    monotonic: the daemon's clock
    """

    def __init__(self, settings: BrokerSettings, client_id: str, monotonic: Callable[[], float]) -> None:
        self.settings, self.client_id = settings, settings.client_id or client_id
        self.refused: Counter[str] = Counter()
        self.away: Away | None = None
        self.status_topic = f"pv-watcher/{self.client_id}/status"
        self._monotonic = monotonic
        self._boxes: list[Box] = []
        self._routes: dict[str, list[tuple[TopicRule, Box]]] = {}
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._died: BaseException | None = None
        self._up_since: float | None = None
        self._session_until = float("-inf")
        self._why = ""
        self._refusing = False
        self.denied: frozenset[str] = frozenset()
        self._asked: list[str] = []
        self._client = self._made()

    def add(self, rules: Sequence[TopicRule]) -> Box:
        """A box for what is published under these topics. Before the first start only."""
        box = Box(rules)
        self._boxes.append(box)
        return box

    @property
    def filters(self) -> list[str]:
        return list(dict.fromkeys(rule.topic for box in self._boxes for rule in box.rules))

    def up(self) -> bool:
        """Run; a thread that has died of our own mistake says so once, and is started again with the next call."""
        died, self._died = self._died, None
        if died is not None:
            self._thread = None
            raise died
        if self._thread is None and not self._stop.is_set():
            self._thread = threading.Thread(target=self._run, name=f"mqtt {self.settings.address}", daemon=True)
            self._thread.start()
        self._settle()
        return self._up_since is not None

    def up_for(self, monotonic: float) -> float | None:
        """For how long it has been reached by now [s]; None where it is not."""
        since = self._up_since
        return None if since is None else max(0.0, monotonic - since)

    def close(self) -> None:
        """Say that we go, and go. The thread may hang in a lookup; it is not waited for long."""
        if self._thread is None or self._stop.is_set():
            return
        if self._up_since is not None:
            with suppress(RuntimeError, ValueError):  # it broke just now
                self._client.publish(self.status_topic, "gone", qos=1, retain=True).wait_for_publish(2.0)
        self._stop.set()
        self._client.disconnect()
        self._thread.join(5.0)

    # In the connection's own thread

    def _made(self) -> Client:
        client = new_client(self.settings, self.client_id, lasting=True)
        client.will_set(self.status_topic, "gone", qos=1, retain=True)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._arrived
        return client

    def _run(self) -> None:
        try:
            tries = 0
            while not self._stop.is_set():
                if self._turn():
                    tries = 0
                wait_s = LONGEST_WAIT_S if self._refusing else min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(tries, 10))
                tries += 1
                # Everybody's broker comes back at the same moment; not everybody may come back to it then.
                self._stop.wait(wait_s * random.uniform(0.5, 1.5))
        except BaseException as error:  # noqa: BLE001 - raised again where it is supervised, by `up`
            self._died = error

    def _turn(self) -> bool:
        """Connect and stay until it ends; whether there was a connection."""
        self._refusing = was_up = False
        try:
            reach(self._client, self.settings, lasting=True)
            while not self._stop.is_set() and self._client.loop(1.0) == MQTTErrorCode.MQTT_ERR_SUCCESS:
                was_up = was_up or self._up_since is not None
        except ssl.SSLCertVerificationError as error:
            self._refusing = True
            self._lost("certificate", f"its certificate is not good: {error.verify_message.rstrip('.')}")
        except ssl.SSLError as error:
            self._lost("tls", f"no secure connection: {error.reason or error}")
        except socket.gaierror as error:
            self._lost("no-such-name", f"its name is not known: {error.strerror}")
        except OSError as error:
            self._lost("unreachable", f"no connection: {error.strerror or error}")
        if self._up_since is not None:
            self._lost("broken", "the connection broke")
        elif self.away is None and not self._stop.is_set():
            self._lost("no-answer", "it does not answer as a broker does")
        return was_up

    def _connected(
        self, client: Client, userdata: object, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._refusing = True
            self._lost("refused", f"it refuses us: {reason}")
            return
        now = self._monotonic()
        self._up_since, self._session_until = now, now + WAITED_S if flags.session_present else float("-inf")
        log.info("broker-up broker=%s session=%s", self.settings.address, "kept" if flags.session_present else "new")
        self._asked = self.filters
        client.subscribe([(one, 1) for one in self._asked])
        client.publish(self.status_topic, "watching", qos=1, retain=True)

    def _subscribed(
        self, client: Client, userdata: object, mid: int, reasons: list[ReasonCode], properties: Properties | None
    ) -> None:
        denied = frozenset(topic for topic, reason in zip(self._asked, reasons, strict=False) if reason.is_failure)
        if denied - self.denied:
            self.refused["subscription"] += len(denied - self.denied)
            log.warning("subscription-refused broker=%s topics=%s", self.settings.address, ", ".join(sorted(denied)))
        self.denied = denied

    def _disconnected(
        self, client: Client, userdata: object, flags: DisconnectFlags, reason: ReasonCode, properties: object
    ) -> None:
        if self._up_since is not None and not self._stop.is_set():
            told = f": {reason}" if flags.is_disconnect_packet_from_server else ""
            self._lost("broken", f"the connection broke{told}")

    def _arrived(self, client: Client, userdata: object, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self.refused["no-topic"] += 1
            return
        now = self._monotonic()
        routes = self._routes.get(topic)
        if routes is None:
            routes = self._route(client, topic)
        for rule, box in routes:
            read = contents(bytes(message.payload), rule)
            box.put(Message(topic, rule, now, read, message.retain, now < self._session_until, message.dup))

    def _route(self, client: Client, topic: str) -> list[tuple[TopicRule, Box]]:
        routes = [(rule, box) for box in self._boxes for rule in box.rules if matches(rule.topic, topic)]
        if not routes:
            # A session outlives what was subscribed to in it.
            self.refused["no-longer-asked-for"] += 1
            client.unsubscribe(topic)
        if len(self._routes) >= _KNOWN_TOPICS:
            self._routes.clear()
        self._routes[topic] = routes
        return routes

    def _lost(self, kind: str, why: str) -> None:
        """One line in the log when it goes, or when what keeps it away is another thing."""
        self._up_since = None
        if self._stop.is_set():
            return
        self.refused[kind] += 1
        since = self.away.since if self.away is not None else self._monotonic()
        self.away = Away(since, why)
        if why != self._why:
            self._why = why
            log.warning("broker-down broker=%s why=%s", self.settings.address, why)

    def _settle(self) -> None:
        if self.away is not None and self._up_since is not None and self._monotonic() - self._up_since >= STEADY_S:
            self.away, self._why = None, ""
