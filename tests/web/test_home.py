"""What a home's page says and shows, as its reader gets it."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import date, timedelta

import pytest
from PIL import Image
from starlette.testclient import TestClient

from tests.web.made_pages import DAY_WH, NOW, TODAY, Folder, alert, days_of
from watcher.alert.wording_pages import HomeState, first_sentence
from watcher.align.typed import Standing, typed_readings
from watcher.clock import SteppedClock
from watcher.config import load_sites
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.domain.site import Role
from watcher.store.ledger import Ledger
from watcher.web.figures import MeterShown
from watcher.web.standing import standing, sun_is_back


def token(text: str) -> str:
    found = re.search(r'name="form" value="([^"]+)"', text)
    assert found is not None
    return found[1]


def test_a_well_home_hears_so_first(folder: Folder) -> None:
    with folder.client() as client:
        text = client.get("/home/home-1").text
    assert re.search(r"<h1>All is well: your panels make what the sun allows.</h1>", text)
    assert f"{0.97 * sum_until_now() / 1000:.1f}</span> kWh" in text, "today"
    assert "08765.4" in text, "the figures of the display, with its leading nought"
    assert "Read by wire 5 minutes ago." in text


def sum_until_now() -> float:
    from tests.web.made_pages import ZONE, power_w
    from watcher.domain.instant import GRID_MS, local_day

    return sum(power_w(place) for place in range((NOW - local_day(TODAY, ZONE)[0]) // GRID_MS)) * GRID_MS / HOUR_MS


def test_a_home_with_a_fault_hears_what_is_wrong_and_whom_to_call(folder: Folder) -> None:
    with folder.client() as client:
        text = client.get("/home/home-2").text
    assert "<h1>One row of your solar panels gives no power.</h1>" in text
    assert "All is well" not in text
    assert "01632 960 118" in text
    assert "Do not open" in text


def test_the_page_of_a_home_is_small_and_asks_nobody_else_for_anything(folder: Folder) -> None:
    with folder.client() as client:
        answer = client.get("/home/home-2")
        style = client.get("/style.css")
    assert len(answer.content) + len(style.content) < 150_000
    sought = re.findall(r'(?:src|href|action)="([^"]+)"', answer.text)
    assert sought
    assert [one for one in sought if not one.startswith(("/", "#", "tel:", "data:,"))] == []
    assert "<script" not in answer.text
    assert not re.search(r"url\((?!#)", style.text)


def test_today_and_the_days_before_stand_in_tables_beside_their_drawings(folder: Folder) -> None:
    with folder.client() as client:
        text = client.get("/home/home-1").text
    for title in ("Today", "Yesterday", "The last seven days", "The last twelve months"):
        assert f"<summary>{title} as a table</summary>" in text
    assert f'<th scope="row">Thu 11</th><td>{0.97 * DAY_WH / 1000:.1f}</td><td>{DAY_WH / 1000:.1f}</td>' in text
    assert text.count('role="img"') == 4


def test_silence_and_darkness_are_not_well(folder: Folder) -> None:
    site = load_sites(folder.path / "sites").good["home-1"].at(NOW)
    days = days_of("home-1")
    assert standing(site, (), days, NOW, Role.OWNER, NOW).state is HomeState.WELL
    assert standing(site, (), days, NOW - 31 * HOUR_MS, Role.OWNER, NOW).state is HomeState.NOT_HEARD
    assert standing(site, (), days, None, Role.OWNER, NOW).state is HomeState.NOT_HEARD
    assert standing(site, (), days[-3:], NOW, Role.OWNER, NOW).state is HomeState.WELL, "three good days tell"
    assert standing(site, (), (), NOW, Role.OWNER, NOW).state is HomeState.JUST_BEGUN
    dark = [replace(day, expected_wh=500.0) for day in days]
    told = standing(site, (), dark, NOW, Role.OWNER, NOW)
    assert (told.state, told.until) == (HomeState.TOO_DARK, TODAY + timedelta(days=7))


def test_in_december_the_sun_is_back_when_it_stands_high_enough_at_noon(folder: Folder) -> None:
    north = replace(load_sites(folder.path / "sites").good["home-1"].at(NOW), latitude_deg=56.0)
    back = sun_is_back(north, date(2026, 12, 10))
    # 90 - 56 + declination >= 15: declination -19 is reached about 23 January (almanac, from memory).
    assert date(2027, 1, 20) <= back <= date(2027, 1, 27)


@pytest.mark.parametrize("state", list(HomeState))
def test_every_state_has_a_sentence_that_ends(state: HomeState) -> None:
    from tests.web.made_pages import ZONE

    told = first_sentence(state, ("one row gives no power", "more"), TODAY, NOW, ZONE, NOW)
    assert told.endswith(".")
    assert told[0].isupper()


def test_questions_to_the_trade_are_not_put_to_a_home(folder: Folder) -> None:
    site = load_sites(folder.path / "sites").good["home-1"].at(NOW)
    asked = alert("home-1", Finding.SITE_RECORD_WRONG, subject="inverter-1", causes=())
    assert standing(site, (asked,), days_of("home-1"), NOW, Role.OWNER, NOW).state is HomeState.WELL


def test_where_the_firm_hears_first_the_home_reads_neither_of_it_nor_that_all_is_well(folder: Folder) -> None:
    site = load_sites(folder.path / "sites").good["home-2"].at(NOW)
    fresh = alert("home-2", opened_ms=NOW - HOUR_MS)
    told = standing(site, (fresh,), days_of("home-2"), NOW, Role.OWNER, NOW)
    assert told.state is HomeState.LOOKED_INTO
    released = Event("home-2", EventKind.RELEASED, fresh.id, NOW - HOUR_MS // 2, NOW - HOUR_MS // 2)
    told = standing(site, (fresh,), days_of("home-2"), NOW, Role.OWNER, NOW, (released,))
    assert told.state is HomeState.WRONG


def test_a_display_shows_all_its_figures(folder: Folder) -> None:
    meter = load_sites(folder.path / "sites").good["home-1"].base
    one = load_sites(folder.path / "sites").good["home-1"].at(NOW).meter("meter-1")
    assert meter.id == "home-1"
    assert MeterShown(one, 4_213_700.0, NOW, typed=True).digits == "04213.7"
    assert MeterShown(replace(one, decimals=0), 4_213_700.0, NOW, typed=True).digits == "04214"
    assert MeterShown(one, 100_004_213_700.0, NOW, typed=True).digits == "04213.7", "gone round"


def send(client: TestClient, value: str, **more: str) -> str:
    form = token(client.get("/home/home-1/reading").text)
    answer = client.post("/home/home-1/reading", data={"form": form, "meter": "meter-1", "value": value, **more})
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def readings(folder: Folder) -> list[tuple[float, Standing]]:
    with Ledger(folder.files.ledger_url) as ledger:
        found = typed_readings(ledger.events("home-1", 2**62)[0], "meter-1")
    return [(one.index_wh, one.standing) for one in found]


def test_a_reading_is_taken_and_thanked_for_under_an_address_that_sends_nothing_again(folder: Folder) -> None:
    with folder.client() as client:
        place = send(client, "8765.9")
        for _ in range(2):
            assert "The reading of 8,765.9 kWh is recorded." in client.get(place).text
    assert readings(folder) == [(8_765_900.0, Standing.GOOD)]


def test_case_b5_a_slip_is_offered_back_on_the_page(folder: Folder) -> None:
    with folder.client(SteppedClock(NOW - 7 * DAY_MS)) as client:
        send(client, "8765.9")
    with folder.client() as client:
        place = send(client, "9885.9")
        text = client.get(place).text
        assert "<h1>Did you mean 8,985.9?</h1>" in text
        answer = client.post(place, data={"form": token(text), "answer": "as-offered"})
        assert "is recorded" in client.get(answer.headers["location"]).text
    assert [standing for _, standing in readings(folder)] == [Standing.GOOD, Standing.GOOD]
    assert readings(folder)[1][0] == 8_985_900.0


def test_what_is_no_reading_is_said_beside_what_was_typed(folder: Folder) -> None:
    with folder.client() as client:
        form = token(client.get("/home/home-1/reading").text)
        answer = client.post("/home/home-1/reading", data={"form": form, "value": "twelve", "serial": "0417"})
        ahead = client.post("/home/home-1/reading", data={"form": form, "value": "9", "at": "2031-01-01T10:00"})
    assert (answer.status_code, ahead.status_code) == (422, 422)
    assert 'value="twelve"' in answer.text
    assert 'value="0417"' in answer.text
    assert "That is no meter reading." in answer.text
    assert "still to come" in ahead.text
    assert readings(folder) == []


def test_a_picture_comes_along_without_what_its_file_says_of_the_place(folder: Folder) -> None:
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "a telephone"
    Image.linear_gradient("L").save(out, format="JPEG", exif=exif)
    with folder.client() as client:
        form = token(client.get("/home/home-1/reading").text)
        picture = {"picture": ("meter.jpg", out.getvalue(), "image/jpeg")}
        answer = client.post("/home/home-1/reading", data={"form": form, "value": "8765.9"}, files=picture)
        broken = {"picture": ("meter.jpg", b"no picture", "image/jpeg")}
        refused = client.post("/home/home-1/reading", data={"form": form, "value": "8766.0"}, files=broken)
    assert answer.status_code == 303
    assert refused.status_code == 422
    with Ledger(folder.files.ledger_url) as ledger:
        (one,) = typed_readings(ledger.events("home-1", 2**62)[0], "meter-1")
        kept = ledger.document(one.photo)
    assert kept is not None
    assert b"a telephone" not in kept.content
