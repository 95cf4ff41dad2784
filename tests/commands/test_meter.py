"""`watcher meter`: exchanges, resets and work on the roof go into the log, and a meter's life comes out of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.commands.conftest import HOME, Place, a_day
from tests.detect.made_homes import METER
from watcher.align.meter_papers import papers_of
from watcher.align.roof_work import aways
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import HOUR_MS, iso, parse_iso
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings


def events(place: Place) -> list[Event]:
    if not place.files.ledger.exists():
        return []
    with Ledger(place.files.ledger_url) as ledger:
        return ledger.events("home-1", 2**62)[0]


@pytest.fixture
def home(place: Place) -> Place:
    place.site_file("home-1", HOME.replace('role = "generation"', 'role = "generation"\nserial = "M-001"'))
    return place


def test_case_b2_p1_both_serials_indices_and_dates_are_kept_and_printable(home: Place) -> None:
    def run(*arguments: str) -> str:
        code, out, err = home.run(*arguments)
        assert code == 0, out + err
        return out

    run("read", "home-1", "meter-1", "23800.0", "--at", "2026-03-01T12:00:00Z")
    exchange = ("--exchanged", "--at", "2026-03-14T10:20Z", "--opened", "2026-03-14T11:05Z")
    indices = ("--final", "23871.4", "--opening", "0.2", "--serial", "M-002", "--certified-until", "2041-12-31")
    run("meter", "home-1", "meter-1", *exchange, *indices, "--who", "A. Fitter")
    run("read", "home-1", "meter-1", "120.2", "--at", "2026-04-14T11:05:00Z")
    told = run("meter", "home-1", "meter-1")
    for part in (
        "serial M-002",
        "certified until 2041-12-31",
        "exchanged 2026-03-14T10:20:00Z: M-001 at 23,871.4 kWh",
        "2026-03-14T11:05:00Z: M-002 at 0.2 kWh",
        "not metered for 0.75 hours",
        "23,800.0 kWh  good",
        "in all 23,991.4 kWh by 2026-04-14T11:05:00Z",
    ):
        assert part in told
    assert events(home)[1].values["who"] == "A. Fitter"


def test_a_reset_keeps_the_serial_and_a_passage_through_zero_needs_no_figures(home: Place) -> None:
    home.run("read", "home-1", "meter-1", "99990", "--at", "2026-03-01T12:00:00Z")
    assert home.run("meter", "home-1", "meter-1", "--rolled-over", "--at", "2026-03-02T12:00:00Z")[0] == 0
    home.run("read", "home-1", "meter-1", "25", "--at", "2026-04-01T12:00:00Z")
    _, told, _ = home.run("meter", "home-1", "meter-1")
    assert "reset or gone round 2026-03-02T12:00:00Z: M-001 at 100,000.0 kWh" in told
    assert "in all 100,025.0 kWh" in told
    assert home.run("meter", "home-1", "meter-1", "--reset", "--at", "2026-05-01T00:00:00Z")[0] == 0
    assert events(home)[-1].values["serial"] == "M-001"


def test_an_inverter_can_be_exchanged_too(home: Place) -> None:
    assert home.run("meter", "home-1", "inverter-1", "--exchanged", "--serial", "I-2")[0] == 0
    (event,) = events(home)
    assert (event.kind, event.subject, event.values["serial"]) == (EventKind.METER_EXCHANGE, "inverter-1", "I-2")
    assert "inverter-1: exchanged" in home.run("meter", "home-1")[1]


def test_panels_come_off_and_on_again(home: Place) -> None:
    assert home.run("meter", "home-1", "south", "--panels-off", "--at", "2026-03-02T08:00Z")[0] == 0
    assert "nobody said they are back" in home.run("meter", "home-1")[1]
    assert home.run("meter", "home-1", "south", "--panels-on", "--at", "2026-03-04T15:00Z")[0] == 0
    (away,) = aways(events(home))
    assert (iso(away.start_ms), iso(away.end_ms)) == ("2026-03-02T00:00:00Z", "2026-03-05T00:00:00Z")


def test_papers_are_recorded_and_shown(home: Place) -> None:
    assert home.run("meter", "home-1", "meter-1", "--verified", "--at", "2026-03-02T08:00Z")[0] == 0
    assert home.run("meter", "home-1", "meter-1", "--certified-until", "2031-06-30")[0] == 0
    told = home.run("meter", "home-1")[1]
    assert "certified until 2031-06-30" in told
    assert "last verified 2026-03-02T08:00:00Z" in told


def test_a_meter_of_which_nothing_is_known_says_so(place: Place) -> None:
    code, told, _ = place.run("meter", "home-1")
    assert code == 0
    assert "serial not known" in told
    assert "never recorded" in told


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["meter-7", "--exchanged"], "there are inverter-1, meter-1", id="no such device"),
        pytest.param(["south", "--exchanged"], "there are inverter-1, meter-1", id="an array"),
        pytest.param(["meter-1", "--panels-off"], "there are south", id="no array"),
        pytest.param(["inverter-1", "--reset"], "there are meter-1", id="an inverter cannot be reset"),
        pytest.param(["--verified"], "there are meter-1", id="no device"),
        pytest.param(["meter-1", "--exchanged", "--final", "much"], "no meter reading", id="no index"),
        pytest.param(["meter-1", "--exchanged", "--final", "123456"], "more digits", id="too many digits"),
        pytest.param(["meter-1", "--exchanged", "--certified-until", "soon"], "a date", id="no date"),
        pytest.param(
            ["meter-1", "--exchanged", "--at", "2026-03-02T08:00Z", "--opened", "2026-03-01T08:00Z"],
            "lies before",
            id="begun before it ended",
        ),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_recorded(home: Place, arguments: list[str], said: str) -> None:
    code, _, err = home.run("meter", "home-1", *arguments)
    assert code == 2
    assert said in err
    assert events(home) == []


def test_a_certificate_goes_with_its_meter() -> None:
    meter = replace(METER, serial="M-001", certified_until="2027-01-31")
    at_ms = parse_iso("2026-03-14T10:20Z")
    exchange = Event("home-1", EventKind.METER_EXCHANGE, "meter-1", at_ms, at_ms, {"serial": "M-002"})
    assert str(papers_of(meter, []).certified_until) == "2027-01-31"
    assert papers_of(meter, [exchange]).certified_until is None
    later = replace(meter, serial="M-002", certified_until="2041-12-31")
    assert str(papers_of(later, [exchange]).certified_until) == "2041-12-31"


def test_the_last_good_reading_is_shown_as_it_was_kept(place: Place) -> None:
    place.import_power()
    place.import_meter()
    place.judge()
    with SqliteReadings(place.files.readings) as store:  # a day settles at three the next morning
        store.append({"home-1": []}, a_day().stop + 6 * HOUR_MS)
    place.judge()
    assert "last good reading 1,234.5 kWh at" in place.run("meter", "home-1")[1]
