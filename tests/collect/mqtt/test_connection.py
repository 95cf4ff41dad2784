"""A real broker: reached, lost, found again; refused where it cannot be trusted, in words."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from tests.collect.mqtt.broker import Broker, Certificates, Device, until
from watcher.collect.mqtt import connection as module
from watcher.collect.mqtt.connection import Box, BrokerConnection, thinned
from watcher.collect.mqtt.intake import Message
from watcher.collect.mqtt.payload import Contents
from watcher.collect.mqtt.settings import BrokerSettings, Version, own_client_id
from watcher.collect.mqtt.topic_map import Counting, TopicRule, ValueField

POWER = (TopicRule("home/pv", (ValueField("ac_power"),)),)


@contextmanager
def connected(
    settings: BrokerSettings,
    rules: Sequence[TopicRule] = POWER,
    client_id: str = "pvwatcher-test",
    monotonic: Callable[[], float] = time.monotonic,
) -> Iterator[tuple[BrokerConnection, Box]]:
    connection = BrokerConnection(settings, client_id, monotonic)
    box = connection.add(rules)
    connection.up()
    try:
        yield connection, box
    finally:
        connection.close()


def values(box: Box) -> list[float]:
    return [value for message in box.take(10_000) for _, value in message.contents.values]


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tries again at once: how long it waits is looked at elsewhere."""
    monkeypatch.setattr(module, "FIRST_WAIT_S", 0.05)
    monkeypatch.setattr(module, "LONGEST_WAIT_S", 0.2)


@pytest.mark.parametrize("version", list(Version))
def test_a_message_arrives_in_both_versions_of_the_protocol(broker: Broker, version: Version) -> None:
    with connected(BrokerSettings(broker.address, version=version)) as (connection, box), Device(broker) as device:
        until(connection.up)
        device.publish("home/other", "1")
        device.publish("home/pv", "1520 W")
        found: list[float] = []
        until(lambda: bool(found.extend(values(box)) or found))
        assert found == [1520.0]
        assert connection.away is None


def test_our_state_is_told_and_is_gone_when_we_are_killed_or_go(broker: Broker) -> None:
    heard: list[bytes] = []
    with Device(broker) as watcher:
        watcher.client.on_message = lambda client, userdata, message: heard.append(bytes(message.payload))
        watcher.client.subscribe("pv-watcher/+/status", 1)
        with connected(BrokerSettings(broker.address)) as (connection, _):
            assert connection.status_topic == "pv-watcher/pvwatcher-test/status"
            until(lambda: heard == [b"watching"])
        until(lambda: heard == [b"watching", b"gone"])
        with connected(BrokerSettings(broker.address)) as (connection, _):
            until(lambda: heard[2:] == [b"watching"])
            connection._client.socket().close()  # as a cable that is pulled: nothing is said by us any more
            until(lambda: heard[2:4] == [b"watching", b"gone"])


@pytest.mark.parametrize("version", list(Version))
def test_what_came_while_we_were_away_is_kept_for_us_and_marked(broker: Broker, version: Version) -> None:
    settings = BrokerSettings(broker.address, version=version)
    with connected(settings) as (connection, _):
        until(connection.up)
        until(lambda: not connection._client.want_write())
        time.sleep(0.3)  # the broker's answer to the subscription is not seen from here
    with Device(broker) as device:
        device.publish("home/pv", "1")
        device.publish("home/pv", "2")
    with connected(settings) as (_, box):
        messages: list[Message] = []
        until(lambda: bool(messages.extend(box.take(10)) or len(messages) == 2))
        assert [message.waited for message in messages] == [True, True]


def test_a_retained_message_is_marked(broker: Broker) -> None:
    with Device(broker) as device:
        device.publish("home/pv", "2310", retain=True)
        with connected(BrokerSettings(broker.address)) as (_, box):
            messages: list[Message] = []
            until(lambda: bool(messages.extend(box.take(10)) or messages))
            device.publish("home/pv", "0")
            until(lambda: bool(messages.extend(box.take(10)) or len(messages) == 2))
    assert [message.retained for message in messages] == [True, False]


@pytest.mark.usefixtures("hurried")
def test_a_broker_that_goes_is_said_once_and_found_again(broker: Broker, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO", "watcher.collect.mqtt")
    with connected(BrokerSettings(broker.address)) as (connection, box):
        until(connection.up)
        broker.stop()
        until(lambda: connection.refused["unreachable"] > 3)
        assert connection.away is not None
        assert connection.away.why.startswith("no connection: ")
        broker.start()
        until(connection.up)
        with Device(broker) as device:
            found: list[float] = []
            device.publish("home/pv", "7")
            until(lambda: bool(found.extend(values(box)) or found))
    lines = [record.getMessage().split()[0] for record in caplog.records]
    assert lines == ["broker-up", "broker-down", "broker-down", "broker-up"]  # broke, and then: no connection


@pytest.mark.usefixtures("hurried")
def test_a_broker_that_comes_and_goes_is_one_trouble(broker: Broker) -> None:
    now = [1000.0]
    with connected(BrokerSettings(broker.address), monotonic=lambda: now[0]) as (connection, _):
        until(connection.up)
        for _ in range(2):
            broker.stop()
            until(lambda: connection.away is not None and not connection.up())
            broker.start()
            until(connection.up)
            now[0] += module.STEADY_S / 2
        assert connection.away is not None
        assert connection.away.since == 1000.0
        now[0] += module.STEADY_S / 2
        assert connection.up()
        assert connection.away is None


def test_a_broker_that_was_never_there_keeps_nobody_waiting() -> None:
    with connected(BrokerSettings("mqtt://127.0.0.1:1")) as (connection, box):
        until(lambda: connection.away is not None)
        assert not connection.up()
        assert box.take(10) == []


def test_a_name_that_nobody_knows_is_said() -> None:
    with connected(BrokerSettings("mqtt://nowhere.invalid:1883")) as (connection, _):
        until(lambda: connection.away is not None)
        assert connection.away is not None
        assert "name" in connection.away.why or "no connection" in connection.away.why


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Broker]:
    passwords = tmp_path / "passwords"
    passwords.write_text("solar:wrong-hash\n")
    with Broker(tmp_path / "locked", "allow_anonymous false", f"password_file {passwords}") as started:
        yield started


@pytest.mark.parametrize("version", list(Version))
def test_a_broker_that_refuses_us_says_why(locked: Broker, version: Version) -> None:
    settings = BrokerSettings(locked.address, user="solar", password=lambda: "wrong", version=version)
    with connected(settings) as (connection, _):
        until(lambda: connection.away is not None)
        assert connection.away is not None
        assert connection.away.why in ("it refuses us: Not authorized", "it refuses us: Bad user name or password")
        assert "wrong" not in connection.away.why


def _tls(folder: Path, certificates: Certificates, name: str, *more: str) -> Broker:
    lines = (f"certfile {certificates.path(name + '.pem')}", f"keyfile {certificates.path(name + '.key')}")
    return Broker(folder, "allow_anonymous true", *lines, *more, scheme="mqtts")


def test_a_line_closed_to_others_is_read(tmp_path: Path, certificates: Certificates) -> None:
    with _tls(tmp_path / "tls", certificates, "localhost") as broker:
        settings = BrokerSettings(broker.address, ca_file=certificates.path("ca.pem"))
        with connected(settings) as (connection, _):
            until(connection.up)
            assert connection.away is None


@pytest.mark.parametrize(
    ("certificate", "authority", "told"),
    [
        pytest.param("localhost", "other-ca.pem", "unable to get local issuer certificate", id="another authority"),
        pytest.param("elsewhere", "ca.pem", "Hostname mismatch", id="another broker's"),
        pytest.param("localhost", None, "unable to get local issuer certificate", id="an authority nobody knows"),
    ],
)
def test_a_wrong_certificate_is_refused_in_words(
    tmp_path: Path, certificates: Certificates, certificate: str, authority: str | None, told: str
) -> None:
    with _tls(tmp_path / "tls", certificates, certificate) as broker:
        ca_file = certificates.path(authority) if authority is not None else None
        with connected(BrokerSettings(broker.address, ca_file=ca_file)) as (connection, _):
            until(lambda: connection.away is not None)
            assert connection.away is not None
            assert connection.away.why.startswith("its certificate is not good: ")
            assert told in connection.away.why
            assert connection.refused == {"certificate": 1}
            assert not connection.up()


def test_a_client_certificate_opens_what_is_closed_without(tmp_path: Path, certificates: Certificates) -> None:
    needs = (f"cafile {certificates.path('ca.pem')}", "require_certificate true")
    with _tls(tmp_path / "tls", certificates, "localhost", *needs) as broker:
        bare = BrokerSettings(broker.address, ca_file=certificates.path("ca.pem"))
        with connected(bare) as (connection, _):
            until(lambda: connection.away is not None)
        own = BrokerSettings(
            broker.address,
            ca_file=certificates.path("ca.pem"),
            certificate_file=certificates.path("client.pem"),
            key_file=certificates.path("client.key"),
        )
        with connected(own) as (connection, _):
            until(connection.up)
            assert connection.away is None


def test_a_topic_we_are_not_let_read_is_named(tmp_path: Path) -> None:
    acl = tmp_path / "acl"
    acl.write_text("topic readwrite pv-watcher/#\n")
    with (
        Broker(tmp_path / "closed", "allow_anonymous true", f"acl_file {acl}") as broker,
        connected(BrokerSettings(broker.address, version=Version.V5)) as (connection, _),
    ):
        until(connection.up)
        # This broker takes the subscription and lets nothing through; the answer of one that says so is played to us.
        connection._asked = ["home/pv", "home/other"]
        denied, granted = (ReasonCode(PacketTypes.SUBACK, identifier=code) for code in (135, 1))
        connection._subscribed(connection._client, None, 1, [denied, granted], None)
        assert connection.denied == {"home/pv"}
        assert connection.refused["subscription"] == 1


def test_a_thread_that_dies_of_our_mistake_says_so_and_is_started_again(broker: Broker) -> None:
    with connected(BrokerSettings(broker.address)) as (connection, box), Device(broker) as device:
        until(connection.up)

        def mistaken(message: Message) -> None:
            raise ZeroDivisionError

        kept, box.put = box.put, mistaken  # type: ignore[method-assign, assignment]
        device.publish("home/pv", "1", retain=True)  # it may come before what we subscribe to does
        until(lambda: connection._died is not None)
        box.put = kept  # type: ignore[method-assign]
        with pytest.raises(ZeroDivisionError):
            connection.up()
        until(connection.up)
        device.publish("home/pv", "2")
        found: list[float] = []
        until(lambda: bool(found.extend(values(box)) or 2.0 in found))


def test_the_client_id_is_the_same_at_every_start_and_short_enough_for_every_broker() -> None:
    ids = {own_client_id("pi", Path("/data")), own_client_id("pi", Path("/data")), own_client_id("pi", Path("/other"))}
    assert len(ids) == 2
    assert all(len(one) <= 23 and one.isalnum() for one in ids)  # MQTT 3.1.1, 3.1.3.1


def _message(number: int, rule: TopicRule = POWER[0], topic: str = "home/pv") -> Message:
    return Message(topic, rule, float(number), Contents())


def test_a_full_box_makes_the_sender_wait_and_then_thins_and_counts() -> None:
    box = Box(POWER, limit=10)
    for number in range(10):
        box.put(_message(number), 0.0)
    box.put(_message(10), 0.0)
    assert box.given_up == 5
    assert [message.arrived for message in box.take(100)] == [1.0, 3.0, 5.0, 7.0, 9.0, 10.0]


def test_counts_that_add_up_go_last() -> None:
    counts = TopicRule("home/pulses", (ValueField("pulse_count", counting=Counting.INCREMENT),))
    mixed = [_message(n, counts, "home/pulses") if n % 2 else _message(n) for n in range(8)]
    assert [message.arrived for message in thinned(mixed)] == [1.0, 2.0, 3.0, 5.0, 6.0, 7.0]
    assert [message.arrived for message in thinned([_message(n, counts) for n in range(4)])] == [2.0, 3.0]
