"""Evaluation and replay on a server say what they say on a file."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from kept import OnServer, Store
from real_servers import RealServer

from watcher.catch_up import Case, catch_up
from watcher.config.site_file import load_site
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.domain.site import SiteRecord
from watcher.replay import differences, replay
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

START_MS = parse_iso("2024-06-20T00:00:00Z")
DAYS = 3
SITE = """
[site]
name = "Oak End"
latitude_deg = 52.1
longitude_deg = -0.9
altitude_m = 80
zone = "Europe/London"

[[array]]
id = "south"
tilt_deg = 35
azimuth_deg = 180
peak_power_w = 3200
input = "inverter-1.input-1"
modules_in_series = 8

[[inverter]]
id = "inverter-1"
ac_limit_w = 3000

[[meter]]
id = "meter-1"
role = "generation"
covers = ["inverter-1"]

[[source]]
kind = "modbus-tcp"
device = "inverter-1"
address = "127.0.0.1:502"
unit = 1
map = "sunspec"
every_s = 300

[[source]]
kind = "modbus-tcp"
device = "meter-1"
address = "127.0.0.1:502"
unit = 2
every_s = 300
counts = "exported"

[[contact]]
role = "owner"
email = "owner@example.org"

[[contact]]
role = "installer"
email = "installer@example.org"
"""


def parse(text: str) -> SiteRecord:
    return load_site(text, "recorded", "oakend")


def batches() -> list[tuple[int, list[Reading]]]:
    """Five-minute rows of three June days: a meter that stops on the second, two hours that came late, repeats."""
    found: list[tuple[int, list[Reading]]] = []
    held: list[Reading] = []
    energy, index = 9_120_000.0, 9_000_300.0
    for step in range(DAYS * 288):
        at = START_MS + step * 5 * MINUTE_MS
        hour = at % DAY_MS / HOUR_MS
        power = float(round(2400 * max(0.0, math.sin((hour - 4.5) / 15 * math.pi)) * (1 - 0.2 * (step % 7 == 0))))
        energy += power / 12
        if at < START_MS + DAY_MS + 9 * HOUR_MS:
            index = energy - 119_700
        rows = [
            Reading("inverter-1.ac_power", at, power),
            Reading("inverter-1.ac_energy", at, float(round(energy))),
            Reading("inverter-1.input-1.dc_power", at, round(power * 1.04, 1)),
            Reading("inverter-1.input-1.dc_voltage", at, round(240 + 60 * (power > 0) + step % 5 * 0.1, 1)),
            Reading("inverter-1.input-1.dc_current", at, round(power / 300, 2)),
            Reading("meter-1.energy_index", at, math.floor(index / 100) * 100.0),
            Reading("board.uptime", at, step * 300.0),
        ]
        if START_MS + 12 * HOUR_MS <= at < START_MS + 14 * HOUR_MS:
            held += [row for row in rows if row.channel != "board.uptime"]
            rows = rows[-1:]
        if at == START_MS + 17 * HOUR_MS:
            rows += held
        if step % 50 == 0 and found:
            rows += found[-1][1]
        found.append((at + 20_000, rows))
    return found


def told(store: Store) -> Ledger:
    ledger = Ledger("sqlite://")
    ledger.put_version("oakend", SITE, 0)
    for _ in catch_up(Case("oakend", store, ledger, parse)):
        pass
    return ledger


@pytest.mark.slow
def test_the_ledger_is_the_same_whatever_keeps_the_readings(tmp_path: Path, server: RealServer) -> None:
    with SqliteReadings(":memory:") as plain, OnServer(tmp_path / "spool", server) as kept:
        # A third each: on the server alone, there and in the spool, in the spool alone.
        appended = batches()
        for number, (now_ms, rows) in enumerate(appended):
            plain.append({"oakend": rows}, now_ms)
            kept.store.append({"oakend": rows}, now_ms)
            if number == len(appended) // 3:
                kept.settle()
            if number == 2 * len(appended) // 3:
                kept.settle_a_little()
        expected = told(plain)
        with kept.reader() as reader:
            found = told(reader)
        assert differences("oakend", expected, found) == []
        # The comparison had something to compare: an alert, mails, days, and a late row that cut a span.
        opened = {alert.finding for alert in expected.alerts("oakend") if alert.opened_ms is not None}
        assert Finding.METER_STALLED in opened
        assert expected.mails("oakend")
        assert expected.days("oakend")
        assert plain.late("oakend", 0, 2**62) == kept.store.late("oakend", 0, 2**62) != []
        # And later, when all is on the server, a replay of it says so too.
        kept.settle()
        with replay("oakend", kept.store, found, parse) as fresh:
            assert differences("oakend", found, fresh) == []
