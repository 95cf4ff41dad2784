"""Case C1: what the broker had kept is the past. The device died at 12:41; we connect at 21:05."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from tests.collect.mqtt.broker import Broker, Device
from tests.collect.mqtt.played import DATED, UNDATED, Played, rules
from tests.detect.made_homes import METER, SOUTH, Home, home_site
from tests.detect.made_lines import judged, rows_of, told
from watcher.collect.mqtt.collector import DeviceAtBroker, MqttCollector
from watcher.collect.mqtt.connection import BrokerConnection
from watcher.collect.mqtt.intake import Intake
from watcher.collect.mqtt.settings import BrokerSettings
from watcher.domain.alert import AlertState, ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import parse_iso
from watcher.domain.reading import Reading, Samples
from watcher.domain.site import Source, SourceKind
from watcher.store.readings import SqliteReadings

RETAINED = {"power": 2310, "energy": 8123.4}
POWER, ENERGY = "inverter-1.ac_power", "inverter-1.ac_energy"
AT_21_05 = parse_iso("2026-01-10T21:05:00Z")
AT_12_40 = parse_iso("2026-01-10T12:40:00Z")


def _said(played: Played) -> dict[str, str]:
    return {name: known.told(name) for name, known in played.intake.last_known.items()}


def test_case_c1_no_reading_comes_of_it_and_its_age_is_not_known() -> None:
    played = Played(UNDATED)
    played.message(0.0, RETAINED, retained=True)
    assert [reading for second in (0.0, 5.0, 3600.0) for reading in played.taken(second)] == []
    assert _said(played) == {
        POWER: "last known 2310 W, age unknown",
        ENERGY: "last known 8123400 Wh, age unknown",
    }
    assert played.refused == {"retained": 1}


def test_case_c1_t_one_with_its_own_time_is_stored_there_once() -> None:
    payload = {**RETAINED, "ts": "2026-01-10T12:40:00Z"}
    with SqliteReadings(":memory:") as store:
        for connection in range(3):  # handed over with every connection
            played = Played(DATED, f"2026-01-10T21:{5 + connection:02}:00Z")
            played.message(0.0, payload, retained=True)
            appended = store.append({"home-7": played.taken(1.0)}, played.at(1.0))
            assert (appended.new, appended.same, appended.conflicting) == ((2, 0, 0) if connection == 0 else (0, 2, 0))
            assert _said(played)[POWER] == "last known 2310 W at 2026-01-10T12:40:00Z"
        assert {reading.time_ms for reading in store.last("home-7").values()} == {AT_12_40}


def test_case_c1_t_what_the_store_had_already_stays() -> None:
    played = Played(DATED)
    with SqliteReadings(":memory:") as store:
        store.append({"home-7": [Reading(POWER, AT_12_40, 2311.0)]}, AT_12_40)
        played.message(0.0, {"power": 2310, "ts": "2026-01-10T12:40:00Z"}, retained=True)
        assert store.append({"home-7": played.taken(0.0)}, AT_21_05).conflicting == 1
        assert store.last("home-7")[POWER].value == 2311.0


def test_case_c1_l_a_live_message_is_of_when_it_came() -> None:
    played = Played(UNDATED)
    played.message(0.0, RETAINED, retained=True)
    played.message(60.0, {"power": 0})
    assert played.taken(65.0) == [Reading(POWER, AT_21_05 + 60_000, 0.0)]
    assert _said(played)[POWER] == "last known 0 W at 2026-01-10T21:06:00Z"


def test_case_c1_over_a_real_broker(tmp_path: Path) -> None:
    """Retained, then live, through the connection and the collector."""

    async def steps() -> None:
        with Broker(tmp_path / "broker") as broker, Device(broker) as device:
            device.publish("home7/pv", RETAINED, retain=True)
            connection = BrokerConnection(BrokerSettings(broker.address), "pvwatcher-c1", time.monotonic)
            intake = Intake("inverter-1")
            collector = MqttCollector("home-7", connection, (DeviceAtBroker(intake, connection.add(rules(UNDATED))),))
            began = time.monotonic()

            async def turn() -> list[Reading]:
                monotonic = time.monotonic()
                collected = await collector.collect(AT_21_05 + round((monotonic - began) * 1000), monotonic)
                return [reading for reading in collected.readings if not reading.channel.startswith("board.")]

            await turn()
            while "retained" not in intake.refused:
                assert await turn() == []
                await asyncio.sleep(0.02)
            assert collector.last_known[POWER].time_ms is None
            device.publish("home7/pv", {"power": 0})
            readings: list[Reading] = []
            while not readings:
                readings = await turn()
                await asyncio.sleep(0.02)
            (live,) = readings
            assert (live.channel, live.value) == (POWER, 0.0)
            assert 0 <= live.time_ms - AT_21_05 <= round((time.monotonic() - began) * 1000)
            await collector.close()

    asyncio.run(steps())


# What becomes of the alert


SITE = home_site(
    SOUTH,
    meters=(),
    sources=(Source(SourceKind.MQTT, "inverter-1", every_s=300.0),),
)
assert METER not in SITE.meters


def _died(after: tuple[Reading, ...] = ()) -> tuple[Home, dict[str, Samples]]:
    """Five June days; the inverter, which answers all night, dies on the third at 12:41."""
    home = Home(SITE, parse_iso("2026-06-08T00:00:00Z"), 5)
    home.awake[:] = True
    home.awake[home.between("2026-06-10T12:41:00Z")] = False
    raw = home.raw()
    raw["board.inverter-1.uptime"] = raw["board.uptime"]
    rows = {name: list(zip(column.time_ms, column.value, strict=True)) for name, column in raw.items()}
    for reading in after:
        rows[reading.channel].append((reading.time_ms, reading.value))
    return home, {name: Samples.of(sorted(column)) for name, column in rows.items()}


def _played_at(began: str, payload: dict[str, object], text: str = UNDATED, **marks: bool) -> tuple[Reading, ...]:
    played = Played(text, began)
    played.message(0.0, payload, **marks)
    return tuple(played.taken(10.0))


@pytest.mark.parametrize(
    ("text", "payload"),
    [
        pytest.param(UNDATED, RETAINED, id="main"),
        pytest.param(DATED, {**RETAINED, "ts": "2026-06-10T12:40:00Z"}, id="T"),
    ],
)
def test_case_c1_the_alert_stays_open_whatever_the_broker_had_kept(text: str, payload: dict[str, object]) -> None:
    after = _played_at("2026-06-10T21:05:00Z", payload, text, retained=True)
    home, raw = _died(after)
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.state) == (Finding.INVERTER_SILENT, AlertState.OPEN)
        assert parse_iso("2026-06-10T12:35:00Z") <= alert.onset_ms <= parse_iso("2026-06-10T12:45:00Z")
    assert (len(rows_of(raw)) > len(rows_of(_died()[1]))) is (text == DATED)


def test_case_c1_l_live_messages_close_it() -> None:
    live = [reading for minute in range(0, 170, 5) for reading in _played_at(_clock(minute), {"power": 0})]
    home, raw = _died(tuple(live))
    with judged(home, raw) as ledger:
        first, *_ = told(ledger)
        assert first.finding is Finding.INVERTER_SILENT
        assert (first.state, first.closed_as) == (AlertState.CLEARED, ClosedAs.RECOVERED)
        assert first.cleared_ms is not None
        assert parse_iso("2026-06-10T21:06:00Z") <= first.cleared_ms <= parse_iso("2026-06-11T00:06:00Z")


def _clock(minute: int) -> str:
    return f"2026-06-10T{21 + (6 + minute) // 60}:{(6 + minute) % 60:02}:00Z"
