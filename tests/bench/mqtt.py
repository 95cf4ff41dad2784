"""Readings per second from a broker into the store, beside a bare paho loop that only takes the messages.

    python -m tests.bench.mqtt

The same messages, three dated values in a document, wait at the broker for each and are taken as fast as it goes: so no
device's pace is measured. Ours go through the connection, the topic map, the intake and the collector and end in a
SQLite file. Five pairs are timed in turn and the medians compared, so that whatever else the machine does falls on
both. Goal: ours at least 0.2 of bare.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import tempfile
import time
from pathlib import Path
from urllib.parse import urlsplit

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.collect.mqtt.broker import Broker
from watcher.collect.mqtt.collector import DeviceAtBroker, MqttCollector
from watcher.collect.mqtt.connection import BrokerConnection, new_client, reach
from watcher.collect.mqtt.intake import Intake
from watcher.collect.mqtt.settings import BrokerSettings
from watcher.config import load_topic_map
from watcher.domain.quantity import BOARD
from watcher.domain.reading import Reading
from watcher.store.readings import SqliteReadings

PAIRS, MESSAGES, VALUES = 5, 6000, 3
TOPIC = "home7/pv"
FLUSHED_AT = 3000
"""Readings a flush; the daemon flushes each minute, or sooner where its inbox fills."""

MAP = f"""
[device]
description = "timed"
[[topic]]
topic = "{TOPIC}"
time = "ts"
time_form = "ms"
[[topic.value]]
path = "power"
quantity = "ac_power"
[[topic.value]]
path = "energy"
quantity = "ac_energy"
unit = "kWh"
[[topic.value]]
path = "inputs[0].u"
quantity = "dc_voltage"
part = "input-1"
"""


def wait_at_the_broker(settings: BrokerSettings, client_id: str) -> None:
    """Has the broker keep all messages for a client that is not there, so that no device's pace is measured."""
    subscribed: list[bool] = []
    client = new_client(settings, client_id, lasting=True)
    client.on_subscribe = lambda *_: subscribed.append(True)
    reach(client, settings, lasting=True)
    client.subscribe(TOPIC, 1)
    while not subscribed:
        client.loop(0.1)
    client.disconnect()
    device = Client(CallbackAPIVersion.VERSION2)
    device.max_inflight_messages_set(200)
    device.connect("127.0.0.1", urlsplit(settings.address).port or 0)
    device.loop_start()
    first_ms = round(time.time() * 1000) - MESSAGES * 1000
    for number in range(MESSAGES):
        said = {
            "ts": first_ms + number * 1000,
            "power": 1500 + number % 900,
            "energy": 8123.4 + number / 1000,
            "inputs": [{"u": 381.2}],
        }
        sent = device.publish(TOPIC, json.dumps(said), qos=1)
    sent.wait_for_publish(60.0)
    device.disconnect()
    device.loop_stop()


def bare(settings: BrokerSettings, client_id: str) -> float:
    """Messages are counted, and that is all. Readings a second, as if each value were one."""
    heard = 0

    def arrived(*_: object) -> None:
        nonlocal heard
        heard += 1

    wait_at_the_broker(settings, client_id)
    client = new_client(settings, client_id, lasting=True)
    client.on_message = arrived
    began = time.perf_counter()
    reach(client, settings, lasting=True)
    while heard < MESSAGES:
        client.loop(0.1)
    took_s = time.perf_counter() - began
    client.disconnect()
    return MESSAGES * VALUES / took_s


async def ours(settings: BrokerSettings, client_id: str, path: Path) -> float:
    wait_at_the_broker(settings, client_id)
    rules = load_topic_map(MAP, "timed.toml", "timed").topics
    connection = BrokerConnection(settings, client_id, time.monotonic)
    device = DeviceAtBroker(Intake("inverter-1"), connection.add(rules))
    collector = MqttCollector("home-7", connection, (device,))
    stored, inbox = 0, list[Reading]()
    with SqliteReadings(path) as store:
        began = time.perf_counter()
        while stored < MESSAGES * VALUES:
            now_ms = round(time.time() * 1000)
            collected = await collector.collect(now_ms, time.monotonic())
            inbox += [one for one in collected.readings if not one.channel.startswith(BOARD)]
            if len(inbox) >= FLUSHED_AT or stored + len(inbox) >= MESSAGES * VALUES:
                store.append({"home-7": inbox}, now_ms)
                stored, inbox = stored + len(inbox), []
            await asyncio.sleep(0.001)
        took_s = time.perf_counter() - began
    await collector.close()
    assert stored == MESSAGES * VALUES, f"{stored} readings of {MESSAGES * VALUES}; refused: {dict(collector.refused)}"
    return stored / took_s


def main() -> None:
    pairs = []
    with tempfile.TemporaryDirectory() as name, Broker(Path(name) / "broker") as broker:
        settings = BrokerSettings(broker.address)
        for number in range(PAIRS):
            mine = asyncio.run(ours(settings, f"ours{number}", Path(name) / f"{number}.sqlite"))
            pairs.append((mine, bare(settings, f"bare{number}")))
    print(f"{MESSAGES} messages of {VALUES} dated values, median of {PAIRS} pairs")
    print(f"ours  {statistics.median(pair[0] for pair in pairs):8.0f} readings/s, in the store")
    print(f"bare  {statistics.median(pair[1] for pair in pairs):8.0f} readings/s, nothing read")
    print(f"ours / bare {statistics.median(own / other for own, other in pairs):.2f} (goal: at least 0.2)")


if __name__ == "__main__":
    main()
