"""Case C4: a broker away from Friday 18:00 to Monday 18:00; then a device sends 864 samples at once, then live."""

from __future__ import annotations

import asyncio
import email
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from tests.collect.mqtt.broker import Broker, Device
from tests.collect.mqtt.played import DATED, UNDATED, Played, rules
from tests.detect.made_homes import SOUTH, Home, broken, home_site
from tests.detect.made_lines import rows_of, told
from tests.evaluate.test_settle_late import by_receipt, figures, in_time, lived, replayed
from watcher.collect.mqtt.collector import DeviceAtBroker, MqttCollector
from watcher.collect.mqtt.connection import BrokerConnection
from watcher.collect.mqtt.intake import Intake
from watcher.collect.mqtt.settings import BrokerSettings
from watcher.domain.instant import HOUR_MS, MINUTE_MS, POINTS_A_DAY, iso, parse_iso
from watcher.domain.reading import Reading
from watcher.domain.site import Source, SourceKind
from watcher.domain.trouble import Trouble
from watcher.notify.notice import broker_away_notice
from watcher.notify.silent_references import SilentReferences
from watcher.store.readings import SqliteReadings
from watcher.wiring import BROKER_AWAY_MS

FRIDAY, MONDAY = parse_iso("2026-06-12T18:00:00Z"), parse_iso("2026-06-15T18:00:00Z")  # a Friday and a Monday
POWER, ENERGY = "inverter-1.ac_power", "inverter-1.ac_energy"
SAMPLES = [FRIDAY + 5 * MINUTE_MS * number for number in range(864)]
assert date(2026, 6, 12).weekday() == 4
assert SAMPLES[-1] == MONDAY - 5 * MINUTE_MS


def _kept(number: int) -> dict[str, float]:
    return {"power": float(100 + number), "energy": round(8000 + number / 10, 1)}


def test_case_c4_every_dated_sample_stands_at_its_own_time() -> None:
    """In 40 seconds, some of them twice, with a live one in between."""
    played = Played(DATED, iso(MONDAY))
    for number, at_ms in enumerate(SAMPLES):
        played.message(number * 40 / 864, {**_kept(number), "ts": iso(at_ms)})
        if number % 50 == 0:
            played.message(number * 40 / 864, {**_kept(number), "ts": iso(at_ms)}, again=True)
    with SqliteReadings(":memory:") as store:
        for second in range(0, 45, 5):
            appended = store.append({"home-1": played.taken(float(second))}, played.at(second))
            assert appended.conflicting == 0
        columns = store.window("home-1", [POWER, ENERGY], 0, 2**50, 2**50)
    assert list(columns[POWER].time_ms) == SAMPLES
    assert list(columns[POWER].value) == [_kept(number)["power"] for number in range(864)]


def test_case_c4_of_864_undated_messages_only_the_last_is_now() -> None:
    played = Played(UNDATED, iso(MONDAY))
    readings: list[Reading] = []
    for number in range(864):
        second = number * 40 / 864
        played.message(second, _kept(number))
        if number % 100 == 0:  # we look in on it every few seconds, as we always do
            readings += played.taken(second)
    assert readings == []
    readings = played.taken(60.0)
    last_ms = played.at(863 * 40 / 864)
    assert readings == [Reading(POWER, last_ms, 963.0), Reading(ENERGY, last_ms, 8_086_300.0)]
    assert played.refused == {"overtaken": 863}
    played.message(300.0, _kept(864))
    assert [reading.time_ms for reading in played.taken(305.0)] == [played.at(300.0)] * 2


@pytest.mark.parametrize("text", [DATED, UNDATED], ids=["dated", "undated"])
def test_case_c4_over_a_real_broker_and_live_messages_are_not_kept_waiting(tmp_path: Path, text: str) -> None:
    """The broker comes back; two devices send at once: one its backlog, one what is now."""

    async def steps() -> None:
        with Broker(tmp_path / "broker") as broker, Device(broker) as device:
            connection = BrokerConnection(BrokerSettings(broker.address), "pvwatcher-c4", time.monotonic)
            backlog, neighbour = Intake("inverter-1"), Intake("inverter-2")
            live_rules = rules(UNDATED.replace("home7/pv", "home8/pv"))
            collector = MqttCollector(
                "home-7",
                connection,
                (
                    DeviceAtBroker(backlog, connection.add(rules(text))),
                    DeviceAtBroker(neighbour, connection.add(live_rules)),
                ),
            )
            began = time.monotonic()
            readings: list[Reading] = []

            def now_ms() -> int:
                return MONDAY + round((time.monotonic() - began) * 1000)

            async def until(done: Callable[[], bool]) -> None:
                while not done():
                    collected = await collector.collect(now_ms(), time.monotonic())
                    readings.extend(one for one in collected.readings if not one.channel.startswith("board."))
                    await asyncio.sleep(0.01)

            await until(lambda: connection.up_for(time.monotonic()) is not None)
            for number, at_ms in enumerate(SAMPLES):
                dated = {"ts": iso(at_ms)} if text == DATED else {}
                device.publish("home7/pv", {**_kept(number), **dated}, wait=False)
                if number == 400:
                    device.publish("home8/pv", {"power": 7}, wait=False)
            await until(lambda: any(one.channel == "inverter-2.ac_power" for one in readings))
            await until(lambda: sum(one.channel == POWER for one in readings) == (864 if text == DATED else 1))
            (live,) = (one for one in readings if one.channel == "inverter-2.ac_power")
            assert MONDAY <= live.time_ms <= now_ms()
            mine = sorted(one.time_ms for one in readings if one.channel == POWER)
            if text == DATED:
                assert mine == SAMPLES
            else:
                assert MONDAY <= mine[0] <= now_ms()
                assert [one.value for one in readings if one.channel == POWER] == [963.0]
            await collector.close()

    asyncio.run(steps())


def test_case_c4_exactly_one_notice_that_the_broker_is_not_reachable() -> None:
    """Three sites behind it, looked at every minute of three days; nothing before it has lasted."""
    heard = SilentReferences(BROKER_AWAY_MS)
    told_at: list[int] = []
    for now_ms in range(FRIDAY - HOUR_MS, MONDAY + HOUR_MS, MINUTE_MS):
        away = FRIDAY <= now_ms < MONDAY
        troubles = [
            Trouble("mqtt://broker:1883", site, "inverter-1", FRIDAY, "no connection: refused")
            for site in ("home-1", "home-2", "home-3")
            if away
        ]
        for spell in heard.due(troubles, now_ms):
            told_at.append(now_ms)
            letter = broker_away_notice(spell, "watch@example.org", "operator@example.org", now_ms)
            assert letter["Subject"] == "Broker not reachable: broker since 2026-06-12T18:00:00Z"
            text = email.message_from_bytes(bytes(letter)).get_payload()
            assert "no connection: refused" in str(text)
            assert "3 of the sites: home-1, home-2, home-3" in str(text)
    assert told_at == [FRIDAY + BROKER_AWAY_MS]


# What becomes of the days


SOURCES = tuple(Source(SourceKind.MQTT, device, every_s=300.0) for device in ("inverter-1", "meter-1"))


def _home() -> tuple[Home, list[Reading]]:
    """Eight days from the Wednesday before. The sensor is our own board's and goes on."""
    home = Home(home_site(SOUTH, sources=SOURCES), parse_iso("2026-06-10T00:00:00Z"), 8, broken(8 * POINTS_A_DAY, 3))
    raw = home.raw()
    for device in ("inverter-1", "meter-1"):
        raw[f"board.{device}.uptime"] = raw["board.uptime"]
    return home, rows_of(raw)


def _came(row: Reading) -> int | None:
    """When a row was received; None where there was nobody to say it."""
    if not FRIDAY <= row.time_ms < MONDAY:
        return row.time_ms
    if row.channel.startswith(("board.inverter-1", "board.meter-1")):
        return None
    return MONDAY + 40_000 if row.channel.startswith(("inverter-1", "meter-1")) else row.time_ms


def test_case_c4_the_three_days_are_right_and_nothing_is_said_of_them() -> None:
    home, rows = _home()
    heard = [row for row in rows if _came(row) is not None]
    came = by_receipt(heard, lambda row: _came(row) or row.time_ms)
    wakes = list(range(home.start_ms + HOUR_MS, home.end_ms, HOUR_MS))
    with replayed(home, by_receipt(rows, in_time)) as prompt, lived(home, came, wakes) as late:
        assert told(prompt) == []
        assert told(late) == []
        assert late.mails("home-1") == []
        whole, mended = figures(prompt), figures(late)
        for day in (date(2026, 6, 12), date(2026, 6, 13), date(2026, 6, 14), date(2026, 6, 15)):
            assert mended[day].generated_wh == pytest.approx(whole[day].generated_wh, rel=0.01)
        # Judged again once, after the backlog had ended: not row by row.
        revisions = {day.day: day.revision for day in late.days("home-1")}
        assert [revisions[date(2026, 6, number)] for number in (11, 12, 13, 14)] == [1, 2, 2, 2]


def test_case_c4_without_a_word_on_the_broker_the_silence_would_have_been_held_against_the_device() -> None:
    """What the board says of the broker is what keeps it quiet."""
    home, rows = _home()
    came = by_receipt(rows, lambda row: _came(row) or row.time_ms)
    wakes = list(range(home.start_ms + HOUR_MS, home.end_ms, 6 * HOUR_MS))
    with lived(home, came, wakes) as late:
        assert told(late) != []
