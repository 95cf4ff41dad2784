"""From the readings of neighbours to readings of the site that asks: through real stores, a restart, and a replay."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from made_power import power_under
from made_windows import JUNE

from watcher.align.build import build_window
from watcher.catch_up import catch_up
from watcher.clock import SteppedClock
from watcher.collect.collectors import Collected
from watcher.collect.neighbours import MOST_WAITING, NeighbourCollector, NeighbourDesk
from watcher.config.site_file import load_site
from watcher.domain.alert import Alert, AlertState
from watcher.domain.errors import StoreError
from watcher.domain.evaluation import Evaluation
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, MINUTE_MS, ON_TIME_MS, POINTS_A_DAY, iso, parse_iso
from watcher.domain.neighbours import QUARTER_MS, SETTLE_MS
from watcher.domain.reading import Reading, Samples
from watcher.expect import peers
from watcher.expect.day import expect_day
from watcher.expect.expectation import Basis
from watcher.neighbours import Neighbourhood, TellsOf
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.wiring import assemble
from watcher.worker import Worker

CLEARNESS = 0.8
NOON = JUNE + 12 * HOUR_MS
PLANES = {"asks": 170.0, "south": 180.0, "south-west": 215.0, "south-east": 140.0, "other": 190.0}
WATCHER = """
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "Watch <watch@firm.example>"
folder = "mails"
[operator]
email = "operator@firm.example"
"""
ASKS = '[[source]]\nkind = "neighbours"\ndevice = "neighbours"\n'


def text(azimuth_deg: float, longitude_deg: float = -0.12, more: str = "") -> str:
    return f"""
[site]
name = "Home"
latitude_deg = 51.5
longitude_deg = {longitude_deg}
altitude_m = 20.0
zone = "Europe/London"
[[array]]
id = "roof"
tilt_deg = 35.0
azimuth_deg = {azimuth_deg}
peak_power_w = 4000.0
input = "inverter-1.input-1"
[[inverter]]
id = "inverter-1"
ac_limit_w = 4600.0
[[source]]
kind = "modbus-tcp"
device = "inverter-1"
address = "127.0.0.1:1502"
{more}
[[contact]]
role = "owner"
email = "owner@example.org"
"""


TEXTS = {id: text(azimuth_deg, more=ASKS if id == "asks" else "") for id, azimuth_deg in PLANES.items()}


@dataclass
class Fleet:
    """Stores of several homes under one sky of middling clearness; the one called asks has no reference of its own."""

    readings: SqliteReadings
    ledger: Ledger
    texts: dict[str, str]

    def live(self, from_ms: int, until_ms: int, dead: str = "") -> None:
        """Have readings come in, one every grid interval, each as it is made."""
        for id, one in self.texts.items():
            site = load_site(one, id, id).at(from_ms)
            for day_ms in range(from_ms // DAY_MS * DAY_MS, until_ms, DAY_MS):
                power = np.zeros(288) if id == dead else power_under(site, CLEARNESS, day_ms)
                for n in range(288):
                    now_ms = day_ms + n * GRID_MS + GRID_MS // 2
                    if from_ms <= now_ms < until_ms:
                        rows = [
                            Reading("inverter-1.ac_power", now_ms, float(power[n])),
                            Reading("watcher.uptime", now_ms, 1),
                        ]
                        self.readings.append({id: rows}, now_ms)
            self.readings.append({id: []}, until_ms)

    def told(self) -> list[TellsOf]:
        """What a process that has just begun reckons."""
        return Neighbourhood(self.readings, self.ledger).tell(list(self.texts))

    def keep(self, told: list[TellsOf], now_ms: int) -> None:
        """On the daemon's way into the store."""
        desk = NeighbourDesk()
        desk.put(told)
        collected = asyncio.run(NeighbourCollector("asks", desk).collect(now_ms, 0.0))
        self.readings.append({"asks": collected.readings}, now_ms + MINUTE_MS)


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    with SqliteReadings(tmp_path / "readings.sqlite") as readings, Ledger(url) as ledger:
        for id, one in TEXTS.items():
            ledger.put_version(id, one, JUNE - DAY_MS)
        yield Fleet(readings, ledger, dict(TEXTS))


def clear_ghi(quarter_ms: int) -> float:
    site = load_site(TEXTS["asks"], "asks", "asks").at(quarter_ms)
    sky = peers.quarters_of_day(site, JUNE)
    return float(sky.ghi[(quarter_ms - JUNE) // QUARTER_MS - 1])


def test_the_light_over_a_home_is_told_by_its_neighbours_and_each_quarter_once(fleet: Fleet) -> None:
    fleet.live(NOON - 2 * HOUR_MS, NOON + SETTLE_MS)
    found = fleet.told()
    first = NOON - 2 * HOUR_MS + QUARTER_MS  # none of before there was anything
    assert [one["quarter"] for one in found] == [iso(ms) for ms in range(first, NOON + 1, QUARTER_MS)]
    assert {one["site"] for one in found} == {"asks"}
    for one in found[1:]:
        assert one["ghi"] == pytest.approx(CLEARNESS * clear_ghi(parse_iso(str(one["quarter"]))), rel=0.03)
        assert (one["sites_near"], one["sites_dark"]) == (4.0, 0.0)

    fleet.keep(found, NOON + SETTLE_MS + MINUTE_MS)
    assert fleet.told() == []  # by a process begun anew: it asks the store what there is
    fleet.live(NOON + SETTLE_MS + 3 * MINUTE_MS, NOON + QUARTER_MS + SETTLE_MS)
    assert [one["quarter"] for one in fleet.told()] == [iso(NOON + QUARTER_MS)]


def test_a_dead_neighbour_is_counted_as_dark_and_does_not_darken_the_sky(fleet: Fleet) -> None:
    fleet.live(NOON - HOUR_MS, NOON + SETTLE_MS, dead="other")
    last = fleet.told()[-1]
    assert last["ghi"] == pytest.approx(CLEARNESS * clear_ghi(NOON), rel=0.03)
    assert (last["sites_near"], last["sites_dark"]) == (4.0, 1.0)


def test_who_has_an_open_alert_on_its_output_tells_nothing_of_the_light(fleet: Fleet) -> None:
    fleet.live(NOON - HOUR_MS, NOON + SETTLE_MS)
    for id in ("south", "other"):
        for state in (AlertState.SUSPECTED, AlertState.OPEN):
            assert "ghi" in fleet.told()[-1]
            until_ms = fleet.ledger.evaluated_until(id)
            at_ms = NOON if until_ms is None else until_ms + GRID_MS
            alert = Alert(id, Finding.OUTPUT_LOW, "inverter-1", state, NOON, NOON, NOON, NOON)
            fleet.ledger.commit(Evaluation(id, at_ms, at_ms, alerts=(alert,)), until_ms)
    last = fleet.told()[-1]
    assert "ghi" not in last  # two are left, and of two nobody can say which is right
    assert last["sites_near"] == 4.0


@pytest.mark.parametrize(
    ("spoilt", "near"),
    [
        pytest.param({"other": "[site]"}, 3.0, id="a-file-that-cannot-be-read"),
        pytest.param({"other": text(190.0, longitude_deg=-2.0)}, 3.0, id="130-km-away"),
        pytest.param({"asks": text(170.0, more=ASKS + 'sites = ["south", "other", "gone"]')}, 2.0, id="named"),
        pytest.param({"asks": text(170.0)}, None, id="nobody-asks"),
    ],
)
def test_only_those_near_or_named_whose_file_is_good_are_asked(
    fleet: Fleet, spoilt: dict[str, str], near: float | None
) -> None:
    fleet.live(NOON - HOUR_MS, NOON + SETTLE_MS)
    for id, one in spoilt.items():
        fleet.ledger.put_version(id, one, JUNE)
    found = fleet.told()
    assert [one["sites_near"] for one in found[-1:]] == ([] if near is None else [near])


class Refusing(SqliteReadings):
    """A store that refuses to give the rows of one site. refused: its id"""

    refused = ""

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> dict[str, Samples]:
        if site == self.refused:
            raise StoreError("rows cannot be read")
        return super().window(site, channels, start_ms, end_ms, received_by_ms)


def test_a_neighbour_whose_rows_cannot_be_read_is_left_out_this_round_alone(fleet: Fleet, tmp_path: Path) -> None:
    fleet.live(NOON - HOUR_MS, NOON + SETTLE_MS)
    with Refusing(tmp_path / "readings.sqlite") as readings:
        asked = Neighbourhood(readings, fleet.ledger)
        readings.refused = "other"
        without = asked.tell(list(fleet.texts))[-1]
        readings.refused = ""
        whole = asked.tell(list(fleet.texts))[-1]
    assert (without["sites_near"], whole["sites_near"]) == (3.0, 4.0)
    assert without["ghi"] == pytest.approx(whole["ghi"], rel=0.03)


def test_at_night_nothing_is_reckoned(fleet: Fleet) -> None:
    fleet.live(JUNE, JUNE + 2 * HOUR_MS)
    assert fleet.told() == []


def test_what_waits_is_labelled_when_it_is_fetched_and_is_bounded() -> None:
    desk = NeighbourDesk()
    desk.put([{"site": "asks", "quarter": iso(NOON), "ghi": 400.0, "sites_near": 4.0, "sites_dark": 0.0}])
    desk.put([{"site": "asks", "quarter": iso(NOON), "ghi": 500.0}])
    now_ms = NOON + 9 * MINUTE_MS
    found = asyncio.run(NeighbourCollector("asks", desk).collect(now_ms, 0.0))
    assert found.readings[0] == Reading("neighbours.ghi", now_ms, 400.0)
    assert {one.time_ms for one in found.readings} == {now_ms}
    assert asyncio.run(NeighbourCollector("asks", desk).collect(now_ms, 0.0)).readings == ()
    desk.put({"site": "asks", "quarter": iso(NOON + n * QUARTER_MS), "ghi": 1.0} for n in range(40))
    assert min(desk.fetch("asks")) == NOON + (40 - MOST_WAITING) * QUARTER_MS


def test_a_home_judged_live_beside_its_neighbours_is_judged_the_same_from_the_store(
    fleet: Fleet, tmp_path: Path
) -> None:
    """Rounds of a worker that is started anew each time, as on a small machine."""
    begin_ms, rounds = NOON - HOUR_MS, 6
    for number in range(rounds):
        from_ms = begin_ms + number * QUARTER_MS
        fleet.live(from_ms + (2 * MINUTE_MS if number else 0), from_ms + QUARTER_MS)
        answer = Worker(fleet.readings, fleet.ledger).answer({"evaluate": list(fleet.texts)})
        assert all("error" not in one for one in answer["judged"])
        fleet.keep(answer.get("told", []), from_ms + QUARTER_MS + ON_TIME_MS // 2)
    through_ms = fleet.ledger.evaluated_until("asks")
    with Ledger(f"sqlite:///{tmp_path / 'again.sqlite'}") as again:
        again.put_version("asks", TEXTS["asks"], JUNE - DAY_MS)
        assert list(catch_up(Worker(fleet.readings, again).case("asks"), through_ms))
        assert again.runs("asks") == fleet.ledger.runs("asks")
        assert again.evaluated_until("asks") == through_ms

    site = load_site(TEXTS["asks"], "asks", "asks").at(NOON)
    raw = fleet.readings.window("asks", None, JUNE, JUNE + DAY_MS, JUNE + DAY_MS)
    expected = expect_day(site, build_window(site, raw, (), JUNE, POINTS_A_DAY), JUNE)
    served = expected.basis == Basis.PEERS
    due, made = expected.by_subject["site"].expected, power_under(site, CLEARNESS, JUNE)
    assert served.sum() >= 12
    assert due[served].sum() == pytest.approx(made[served].sum(), rel=0.03)


def test_a_watcher_put_together_from_its_files_brings_what_a_worker_process_reckons(tmp_path: Path) -> None:
    (tmp_path / "sites").mkdir()
    for id, one in TEXTS.items():
        (tmp_path / "sites" / f"{id}.toml").write_text(one, encoding="utf-8")
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    parts = assemble(tmp_path / "watcher.toml", SteppedClock(JUNE))
    assert isinstance(parts.readings, SqliteReadings)
    fleet = Fleet(parts.readings, parts.ledger, TEXTS)
    fleet.live(NOON - HOUR_MS, NOON + SETTLE_MS)
    (collector,) = [one for one in parts.collectors if isinstance(one, NeighbourCollector)]

    async def turn() -> Collected:
        await parts.judge.judge(parts.sites)
        return await collector.collect(NOON + 6 * MINUTE_MS, 0.0)

    collected = asyncio.run(turn())
    assert (collected.site, collector.name) == ("asks", "asks/neighbours")
    newest = max(one for one in collected.readings if one.channel == "neighbours.ghi")
    assert newest.time_ms == NOON + 6 * MINUTE_MS
    assert newest.value == pytest.approx(CLEARNESS * clear_ghi(NOON), rel=0.03)
    parts.readings.close()
    parts.ledger.close()
