"""A device that was renamed is asked about once, and nothing else is."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.collect.mqtt.broker import Broker, Device, free_port, until
from tests.collect.mqtt.played import DATED, UNDATED, rules
from watcher.collect.mqtt import lookout as module
from watcher.collect.mqtt.lookout import Lookout
from watcher.collect.mqtt.renamed import AGAIN_S, LOOK_S, SILENT_S, Renamed, Strangers, siblings
from watcher.collect.mqtt.settings import BrokerSettings, Version
from watcher.collect.mqtt.topic_map import TopicRule

RULE = rules(UNDATED)[0]
SAYS = b'{"power": 1520, "energy": 8123.4}'
BARE = rules('[[topic]]\ntopic = "home7/pv/power"\n[[topic.value]]\nquantity = "ac_power"\n')[0]


@pytest.mark.parametrize(
    ("topic", "found"),
    [
        ("home7/pv", ["+/pv", "home7/+"]),
        ("pv", ["+"]),
        ("+/pv", ["+/+"]),
        ("$own/pv", ["$own/+"]),
        ("/pv", ["/+"]),
    ],
)
def test_siblings_differ_in_one_level(topic: str, found: list[str]) -> None:
    assert siblings(TopicRule(topic, RULE.values)) == found


def test_a_bare_number_keeps_its_last_level_which_says_what_it_is() -> None:
    assert siblings(BARE) == ["+/pv/power", "home7/+/power"]


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        pytest.param("home7/pv", SAYS, id="our own"),
        pytest.param("other/inverter", SAYS, id="two levels apart"),
        pytest.param("home7/pv2/x", SAYS, id="deeper"),
        pytest.param("home7/inverter", b'{"temperature": 21}', id="speaks of something else"),
        pytest.param("home7/inverter", b'{"power": 1520, "energy": true}', id="half like it"),
        pytest.param("home7/inverter", b"ON", id="no document"),
    ],
)
def test_what_does_not_speak_like_it_is_no_stranger(topic: str, payload: bytes) -> None:
    strangers = Strangers([RULE], ["home7/pv"])
    for _ in range(3):
        strangers.note(topic, payload)
    assert strangers.found() == []


def test_a_stranger_has_been_heard_more_than_once() -> None:
    strangers = Strangers([RULE], ["home7/pv"])
    strangers.note("home7/inverter", SAYS)
    assert strangers.found() == []
    strangers.note("home7/inverter", SAYS)
    assert strangers.found() == [("home7/pv", "home7/inverter")]


def test_any_number_of_topics_is_borne() -> None:
    strangers = Strangers([RULE], [])
    for number in range(1000):
        strangers.note(f"home7/new{number}", SAYS)
    for number in range(1000):
        strangers.note(f"home7/new{number}", SAYS)
    assert len(strangers.found()) == 200


class Looked:
    """What `look` was given."""

    def __init__(self) -> None:
        self.at: list[Strangers] = []

    def __call__(self, strangers: Strangers) -> None:
        self.at.append(strangers)


def renamed(claimed: Sequence[str] = ("home7/pv",)) -> tuple[Renamed, Looked]:
    looked = Looked()
    return Renamed([RULE], lambda: claimed, looked), looked


def test_a_topic_that_speaks_is_not_looked_for() -> None:
    watch, looked = renamed()
    for second in range(0, 86_400, 60):
        assert watch.turn({"home7/pv": float(second)}, float(second)) == []
    assert looked.at == []


def test_a_topic_that_is_silent_is_looked_for_after_an_hour_and_the_question_is_asked_once() -> None:
    watch, looked = renamed()
    assert watch.turn({"home7/pv": 0.0}, 0.0) == []
    assert watch.turn({"home7/pv": 0.0}, SILENT_S - 1) == []
    assert looked.at == []
    asked: list[str] = []
    second = SILENT_S
    while second < SILENT_S + 4 * AGAIN_S:
        asked += watch.turn({"home7/pv": 0.0}, second)
        for strangers in looked.at:
            strangers.note("home7/inverter", SAYS)
        second += 60.0
    assert asked == ["home7/pv is silent, and home7/inverter speaks like it: was the device renamed?"]
    assert len(looked.at) == 4


def test_a_topic_never_heard_is_silent_from_the_start_on() -> None:
    watch, looked = renamed()
    assert watch.turn({}, 50.0) == []
    watch.turn({}, 50.0 + SILENT_S)
    (strangers,) = looked.at
    strangers.note("home7/inverter", SAYS)
    strangers.note("home7/inverter", SAYS)
    assert watch.turn({}, 50.0 + SILENT_S + LOOK_S - 1) == []
    assert len(watch.turn({}, 50.0 + SILENT_S + LOOK_S)) == 1


def test_what_another_site_reads_is_not_asked_about() -> None:
    watch, looked = renamed(("home7/pv", "home8/pv"))
    watch.turn({}, 0.0)
    watch.turn({}, SILENT_S)
    for _ in range(3):
        looked.at[0].note("home8/pv", SAYS)
    assert watch.turn({}, SILENT_S + LOOK_S) == []


def test_nothing_is_looked_for_where_no_level_can_differ() -> None:
    looked = Looked()
    watch = Renamed([TopicRule("+", RULE.values)], lambda: (), looked)
    watch.turn({}, 0.0)
    watch.turn({}, SILENT_S)
    assert looked.at == []


# At a real broker


@pytest.mark.parametrize("version", list(Version))
def test_a_look_hears_what_is_said_now_and_not_what_was_kept(broker: Broker, version: Version) -> None:
    strangers = Strangers([RULE], ["home7/pv"])
    with Device(broker) as device:
        device.publish("home7/old", SAYS, retain=True)
        device.publish("home7/old", SAYS, retain=True)
        lookout = Lookout(BrokerSettings(broker.address, version=version), "pvwatcher-test", time.monotonic)
        lookout.look(strangers)
        lookout.look(strangers)  # one at a time

        def heard() -> bool:
            device.publish("home7/inverter", SAYS)
            return bool(strangers.found())

        until(heard)
        assert sum(thread.name == "mqtt-lookout" for thread in threading.enumerate()) == 1
        lookout.close()
    assert strangers.found() == [("home7/pv", "home7/inverter")]


def test_a_look_ends_by_itself(broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LOOK_S", 0.05)
    lookout = Lookout(BrokerSettings(broker.address), "pvwatcher-test", time.monotonic)
    lookout.look(Strangers([RULE], []))
    until(lambda: lookout._thread is not None and not lookout._thread.is_alive())


def test_a_look_at_a_broker_that_is_away_says_so_and_is_no_error(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    lookout = Lookout(BrokerSettings(f"mqtt://127.0.0.1:{free_port()}"), "pvwatcher-test", time.monotonic)
    lookout.look(Strangers([RULE], []))
    until(lambda: lookout._thread is not None and not lookout._thread.is_alive())
    assert [record.message.split()[0] for record in caplog.records] == ["lookout-failed"]


def test_a_look_that_is_refused_hears_nothing_and_ends(tmp_path: Path) -> None:
    with Broker(tmp_path / "locked", "allow_anonymous false") as locked:
        strangers = Strangers(rules(DATED), [])
        lookout = Lookout(BrokerSettings(locked.address), "pvwatcher-test", time.monotonic)
        lookout.look(strangers)
        until(lambda: lookout._thread is not None and not lookout._thread.is_alive())
        assert strangers.found() == []
