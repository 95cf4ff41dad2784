"""The installer's pages, tables and answers to programs."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.web.made_pages import DAY_WH, NOW, PASSWORD, TODAY, Folder, alert, days_of, make_folder
from tests.web.test_home import token
from watcher.cli import main
from watcher.config import load_sites
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS
from watcher.domain.papers import Papers
from watcher.domain.site import Role, Site
from watcher.store.ledger import Ledger
from watcher.web.trade_routes import _harmless
from watcher.web.yearly import yearly


@pytest.fixture
def site(folder: Folder) -> Site:
    return load_sites(folder.path / "sites").good["home-2"].at(NOW)


def test_the_list_says_what_a_fault_costs_in_a_year_how_sure_it_is_and_what_to_check(folder: Folder) -> None:
    with folder.client() as client:
        text = client.get("/sites").text
    row = re.search(r"<tr><th scope=\"row\"><a href=\"/sites/home-2\">.*?</tr>", text, re.DOTALL)
    assert row is not None
    assert "fuse or switch" in row[0]
    assert "£" in row[0]
    assert "beginning known to the hour" in row[0]
    assert re.search(r'data-is="Check first">[A-Z]', row[0])
    assert "home-1" in text


def test_a_loss_of_december_is_not_taken_twelve_times(site: Site) -> None:
    """Half of what the sun allowed since the fault began is half of a year, whatever the season."""
    site = replace(site, papers=Papers(quoted_annual_kwh=3400.0))
    dull = [replace(day, expected_wh=2000.0) for day in days_of("home-2")]
    lost = alert("home-2", loss_mwh=4_000_000, loss_low_mwh=3_000_000, loss_high_mwh=5_000_000)
    found = yearly(lost, site, dull, NOW)
    assert found is not None
    since = NOW - 4 * DAY_MS
    assert since == lost.onset_ms
    assert found.kwh == pytest.approx(3400.0 / 2)
    assert found.pence == pytest.approx((3400 * 16 * 3 / 8, 3400 * 16 * 5 / 8))


def test_a_year_of_settled_days_stands_for_a_year(site: Site) -> None:
    lost = alert("home-2", loss_mwh=round(2 * DAY_WH * 1000))
    found = yearly(lost, site, days_of("home-2", 365), NOW)
    assert found is not None
    assert found.kwh == pytest.approx(365 * DAY_WH / 1000 / 2)


@given(st.integers(0, 10**9), st.integers(0, 10**9), st.integers(0, 10**9))
def test_a_year_never_loses_more_than_the_sun_allows(one: int, two: int, three: int) -> None:
    low, middle, high = sorted((one, two, three))
    site = Site("home-2", "x", 51.0, 0.0, 0.0, days_zone(), papers=Papers(quoted_annual_kwh=3400.0))
    lost = alert("home-2", loss_low_mwh=low, loss_mwh=middle, loss_high_mwh=high)
    found = yearly(lost, site, days_of("home-2"), NOW)
    assert (found is None) == (high == 0)
    if found is not None:
        assert 0 <= found.low_kwh <= found.kwh <= found.high_kwh <= 3400.0


def days_zone() -> object:
    from tests.web.made_pages import ZONE

    return ZONE


def test_without_a_settled_day_since_it_began_nothing_is_said_of_a_year(site: Site) -> None:
    assert yearly(alert("home-2", onset_ms=NOW), site, days_of("home-2"), NOW) is None


def test_what_is_said_of_an_item_stands_with_it_and_in_the_log(folder: Folder) -> None:
    with folder.client() as client:
        page = client.get("/sites/home-2").text
        shown = re.search(r'name="alert" value="([^"]+)"', page)
        assert shown is not None
        said = {"form": token(page), "alert": shown[1].replace("&#39;", "'")}
        on = (TODAY + timedelta(days=6)).isoformat()
        for one in (
            {"what": "seen"}, {"what": "note", "text": "ladder needed"}, {"what": "visit", "on": on},
            {"what": "remind", "on": on, "text": "after the holidays"},
        ):  # fmt: skip
            assert client.post("/sites/home-2/say", data=said | one).status_code == 303
        without_a_day = client.post("/sites/home-2/say", data=said | {"what": "remind"})
        gone_by = client.post("/sites/home-2/say", data=said | {"what": "visit", "on": "2020-01-01"})
        other = client.post("/sites/home-2/say", data=said | {"alert": "home-1/no-such"})
        page = client.get("/sites/home-2").text
    assert (without_a_day.status_code, gone_by.status_code, other.status_code) == (422, 422, 422)
    for words in ("seen, installer", "ladder needed", f"visit planned for {on}", "after the holidays"):
        assert words in page
    with Ledger(folder.files.ledger_url) as ledger:
        events = ledger.events("home-2", 2**62)[0]
    assert [event.kind for event in events] == [EventKind.SEEN, EventKind.NOTE, EventKind.NOTE, EventKind.MUTE]
    assert {event.subject for event in events} == {alert("home-2").id}
    assert events[-1].values["address"] == "office@example.org"


def test_what_somebody_types_is_text_and_nothing_else(folder: Folder) -> None:
    with folder.client() as client:
        page = client.get("/sites/home-2").text
        said = {"form": token(page), "alert": alert("home-2").id, "what": "note", "text": "<b onclick=x>\"'&"}
        client.post("/sites/home-2/say", data=said)
        page = client.get("/sites/home-2").text
        found = client.get("/sites", params={"q": "<script>"}).text
    assert "<b onclick" not in page
    assert "&lt;b onclick=x&gt;" in page
    assert "<script>" not in found


def test_the_metering_check_is_a_page_and_its_questions_stand_with_the_site(folder: Folder) -> None:
    with folder.client() as client:
        text, site = client.get("/sites/home-1/metering").text, client.get("/sites/home-1").text
    assert "What is paid is what the register says" in text
    asked = re.search(r"<ol><li>(.*?) <span", text)
    assert asked is not None
    assert asked[1] in site


def test_the_tables_hold_what_the_page_holds(folder: Folder) -> None:
    with folder.client() as client:
        items = list(csv.DictReader(io.StringIO(client.get("/items.csv").text)))
        sites = list(csv.DictReader(io.StringIO(client.get("/sites.csv").text)))
    (item,) = items
    assert (item["site"], item["finding"], item["class"]) == ("home-2", "string-open", "energy")
    assert float(item["pounds a year low"]) <= float(item["pounds a year high"])
    assert [(row["site"], row["state"]) for row in sites] == [("home-1", "nothing open"), ("home-2", "open")]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_no_text_becomes_a_formula_in_a_spreadsheet(text: str) -> None:
    assert _harmless(text) == f"'{text}"
    assert _harmless(f"x{text}") == f"x{text}"


def test_programs_read_the_same_as_people(folder: Folder) -> None:
    with folder.client() as client:
        items, sites, site = (client.get(f"/api/{path}").json() for path in ("items", "sites", "sites/home-2"))
        metrics = client.get("/metrics")
    (item,) = items["items"]
    assert (item["site"], item["loss_kwh"], item["year_low_kwh"] <= item["year_kwh"]) == ("home-2", 42.0, True)
    assert [one["open"] for one in sites["sites"]] == [0, 1]
    assert site["items"] == items["items"]
    assert site["meters"][0]["display"] == "08765.4"
    assert len(site["days"]) == 40
    assert metrics.headers["content-type"].startswith("text/plain; version=0.0.4")
    assert 'pv_watcher_open_items{finding="string-open"} 1\n' in metrics.text
    assert "pv_watcher_sites 2\n" in metrics.text


LINE = re.compile(r'[a-z_]+(\{[a-z]+="[^"\\\n]*"(,[a-z]+="[^"\\\n]*")*\})? -?[0-9.]+')


def test_every_metric_is_well_formed_and_explained_before_its_values(folder: Folder) -> None:
    with folder.client() as client:
        lines = client.get("/metrics").text.splitlines()
    explained: set[str] = set()
    for line in lines:
        if line.startswith("# "):
            explained.add(line.split()[2])
        else:
            assert LINE.fullmatch(line), line
            assert re.split(r"[{ ]", line)[0] in explained


def test_a_program_asks_with_a_token_that_a_new_password_ends(
    folder: Folder, capsys: pytest.CaptureFixture[str]
) -> None:
    folder.add("office", Role.INSTALLER)
    folder.add("ann", Role.OCCUPIER, "home-1")
    assert main(["people", "--config", str(folder.config), "--token", "office"]) == 0
    bearer = {"Authorization": f"Bearer {capsys.readouterr().out.strip()}"}
    with folder.client() as client:
        assert client.get("/api/items").status_code == 401
        assert client.get("/metrics").status_code == 401
        assert client.get("/api/items", headers={"Authorization": "Bearer made-up"}).status_code == 401
        assert client.get("/api/items", headers=bearer).status_code == 200
        folder.add("office", Role.INSTALLER)
        assert client.get("/api/items", headers=bearer).status_code == 401
        client.post("/login", data={"name": "ann", "password": PASSWORD})
        for path in ("/sites", "/sites/home-1", "/items.csv", "/api/items", "/api/sites/home-1", "/metrics"):
            assert client.get(path).status_code == 404, "the installer's"


def test_the_gravest_stand_first_and_the_rest_in_the_table(tmp_path: Path) -> None:
    folder = make_folder(tmp_path / "watcher", sites=130, more_open=110)
    fire = alert("home-120", Finding.ARC_FAULT, loss_mwh=0, loss_low_mwh=0, loss_high_mwh=0, causes=())
    with Ledger(folder.files.ledger_url) as ledger:
        from watcher.domain.evaluation import Evaluation
        from watcher.domain.instant import GRID_MS

        ledger.commit(Evaluation("home-120", NOW, NOW, alerts=(fire,)), NOW - GRID_MS)
    with folder.client() as client:
        text = client.get("/sites").text
        rows = list(csv.DictReader(io.StringIO(client.get("/items.csv").text)))
        found = client.get("/sites", params={"q": "7 test"}).text
    assert text.index("home-120") < text.index("home-2")
    assert "12 more are in the table" in text
    assert len(rows) == 112
    years = [float(row["kWh a year"]) for row in rows[1:]]
    assert years == sorted(years, reverse=True)
    assert "17 Test Lane" in found
    assert "18 Test Lane" not in found


def test_days_stand_in_order(folder: Folder) -> None:
    assert days_of("home-1")[-1].day == date(2026, 6, 11)
