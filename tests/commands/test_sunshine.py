"""`watcher sunshine`: past years over all sites, from a service or from files, through the command line."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.collect.weather.served import Asked, Reply, Served, keyed_body
from tests.collect.weather.test_weather_netcdf import HALF_HOURS, made
from tests.commands.conftest import HOME, WATCHER, Place
from watcher.domain.event import EventKind
from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.expect.expectation import Basis
from watcher.store.ledger import Ledger
from watcher.sunshine import kept_sunshine, sunshine_store

MAP = """
[time]
column = "time"
zone = "UTC"
label = "start"
period_s = 3600

[[column]]
name = "GHI"
channel = "weather-analysis.ghi"
unit = "W/m2"
"""


@contextmanager
def service() -> Iterator[Served]:
    """An archive that answers ten days of January, in a thread of its own."""

    def answer(asked: Asked) -> Reply:
        first_ms = parse_iso(f"{asked.query['start'][:4]}-01-01T00:00Z")
        return Reply(keyed_body({first_ms + at * HOUR_MS: {"ghi": float(at % 24)} for at in range(1, 241)}, ("ghi",)))

    served = Served(answer)
    loop, ready = asyncio.new_event_loop(), threading.Event()
    stop = asyncio.Event()

    async def run() -> None:
        async with served.listening():
            ready.set()
            await stop.wait()

    thread = threading.Thread(target=lambda: loop.run_until_complete(run()))
    thread.start()
    assert ready.wait(10)
    try:
        yield served
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(10)
        loop.close()


@pytest.fixture
def office(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Place:
    """Two homes a mile apart and one far away."""
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    (tmp_path / "sites").mkdir()
    place = Place(tmp_path, capsys)
    for id, latitude in (("home-1", 53.41), ("home-2", 53.42), ("home-3", 51.5)):
        place.site_file(id, HOME.replace("latitude_deg = 51.5", f"latitude_deg = {latitude}").replace("-0.1", "-1.52"))
    return place


def ask(office: Place, address: str) -> None:
    table = f'\n[sunshine]\naddress = "{address}/api"\nshape = "date-keyed"\ngrid_deg = 0.5\n[weather]\nspacing_s = 0\n'
    office.config.write_text(WATCHER + table, encoding="utf-8")


def test_sites_of_one_place_share_a_question_and_a_second_run_asks_nothing(office: Place) -> None:
    with service() as served:
        ask(office, served.address)
        code, out, err = office.run("sunshine", "--from", "2019", "--until", "2020")
        assert (code, err) == (0, "")
        assert "3 sites in 2 places, 2019 to 2020: 4 years to ask for" in out
        assert "4 years kept, 0 cannot be had, 0 left" in out
        assert len(served.asked) == 4
        assert "0 years to ask for" in office.run("sunshine", "--from", "2019", "--until", "2020")[1]
        assert len(served.asked) == 4
    start = parse_iso("2020-01-01T00:00Z")
    found = kept_sunshine(sunshine_store(office.folder / "data"), 53.41, -1.52, start, start + 24 * HOUR_MS)
    assert found.ghi.tolist() == [*range(1, 24), 0]


def test_without_a_year_the_oldest_typed_reading_says_from_when(office: Place) -> None:
    (office.folder / "data").mkdir()
    at_ms = parse_iso("2018-03-31T12:00Z")
    with Ledger(office.files.ledger_url) as ledger:
        ledger.add_event("home-1", EventKind.TYPED_READING, "meter-1", at_ms, {"energy_index": 1.0}, at_ms)
    with service() as served:
        ask(office, served.address)
        _, out, _ = office.run("sunshine", "--until", "2019")
    assert "2018 to 2019" in out
    assert {one.query["start"][:4] for one in served.asked} == {"2018", "2019"}


def test_a_table_of_one_place_is_kept_for_it(office: Place) -> None:
    office_map, table = office.folder / "map.toml", office.folder / "a.csv"
    office_map.write_text(MAP, encoding="utf-8")
    table.write_text(
        "time,GHI\n2022-06-21T11:00,812.4\n2022-06-21T12:00,-999\n2022-06-21T13:00,700\n", encoding="utf-8"
    )
    code, out, err = office.run("sunshine", "--file", table, "--columns", office_map, "--site", "home-1")
    assert (code, err) == (0, ""), out
    assert "2 hours kept" in out
    noon = parse_iso("2022-06-21T12:00Z")
    found = kept_sunshine(sunshine_store(office.folder / "data"), 53.41, -1.52, noon - HOUR_MS, noon + 2 * HOUR_MS)
    assert found.basis.tolist() == [Basis.SATELLITE, Basis.NONE, Basis.SATELLITE]
    assert found.ghi[[0, 2]].tolist() == [812.4, 700.0]


def test_an_archive_serves_all_sites_on_its_grid_and_names_the_others(office: Place) -> None:
    archive = made(office.folder / "a.nc", HALF_HOURS)
    office.site_file("isle", HOME.replace("latitude_deg = 51.5", "latitude_deg = 58.2"))
    code, out, err = office.run("sunshine", "--file", archive)
    assert (code, err) == (0, "")
    assert "isle: outside the grid of these files" in out
    noon = parse_iso("2022-06-21T12:00Z")
    store = sunshine_store(office.folder / "data")
    for latitude in (53.41, 53.42, 51.5):
        assert kept_sunshine(store, latitude, -1.52, noon - HOUR_MS, noon).ghi[0] == pytest.approx(732, abs=30)
    assert len(store.nodes()) == 2, "53.41 and 53.42 lie nearest to the same node"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param([], "no service to ask", id="neither service nor file"),
        pytest.param(["--file", "none.nc"], "cannot be read", id="no such file"),
        pytest.param(["--file", "watcher.toml"], "a table tells of one place", id="a table without a map"),
        pytest.param(["--site", "home-9"], "no such site; there are home-1, home-2, home-3", id="no such site"),
    ],
)
def test_what_cannot_be_done_is_said(office: Place, arguments: list[str], said: str) -> None:
    there = [str(office.folder / one) if one.endswith((".nc", ".toml")) else one for one in arguments]
    code, _, err = office.run("sunshine", *there)
    assert code == 2
    assert said in err


@pytest.mark.parametrize("years", [("2022", "2021"), ("1900", "2021"), ("2150", "2160")])
def test_years_that_cannot_be_are_refused(office: Place, years: tuple[str, str]) -> None:
    ask(office, "http://127.0.0.1:9")
    code, _, err = office.run("sunshine", "--from", years[0], "--until", years[1])
    assert code == 2
    assert "must be years from 1980" in err


def test_an_address_that_is_none_is_a_problem_of_the_watcher_file(office: Place) -> None:
    office.config.write_text(WATCHER + '\n[sunshine]\naddress = "radiation.example.org"\n', encoding="utf-8")
    code, out, _ = office.run("check")
    assert code == 2
    assert "sunshine.address" in out
