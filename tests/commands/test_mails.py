"""`watcher mails`: what a home has not been told yet, how it would read, and its release."""

from __future__ import annotations

import pytest

from tests.commands.conftest import HOME, Place
from watcher.domain.alert import Alert, AlertState, MailReason
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

PEOPLE = """
[[contact]]
role = "occupier"
email = "tenant@example.org"

[[contact]]
role = "installer"
email = "firm@example.org"

[policy.meter-stalled]
home_after_days = 30
"""


@pytest.fixture
def stalled(place: Place) -> Place:
    """A home with a tenant and a firm, whose meter stands still."""
    place.site_file("home-1", HOME + PEOPLE)
    place.import_power()
    place.import_meter()
    place.judge()
    return place


def the_alert(place: Place) -> Alert:
    with Ledger(place.files.ledger_url) as ledger:
        (alert,) = (one for one in ledger.alerts("home-1") if one.finding is Finding.METER_STALLED)
        assert alert.state is AlertState.OPEN
        return alert


@pytest.mark.parametrize("words", [[], ["home-1"]])
def test_what_is_held_back_is_listed_with_its_reader_and_day(stalled: Place, words: list[str]) -> None:
    code, out, err = stalled.run("mails", *words)
    assert code == 0, err
    assert "1 held back" in out
    assert f"{the_alert(stalled).id}  to occupier tenant@example.org  by itself on 20" in out
    assert "opened to owner owner@example.org" in out, "who is paid does not wait"
    assert "opened to installer firm@example.org" in out


def test_a_letter_is_shown_as_its_reader_would_get_it_with_the_line_tried(stalled: Place) -> None:
    code, out, _ = stalled.run("mails", "show", the_alert(stalled).id, "--line", "We come on  Friday.")
    assert code == 0
    assert "To: tenant@example.org (occupier)" in out
    assert "Subject: 4 Test Lane: " in out
    assert "A WORD FROM THE FIRM\n\nWe come on Friday." in out
    assert "£" not in out
    with Ledger(stalled.files.ledger_url) as ledger:
        assert ledger.events("home-1", 2**62)[0] == [], "shown, not sent"


def test_a_release_goes_with_the_next_judging_and_carries_the_line(stalled: Place) -> None:
    alert = the_alert(stalled)
    code, out, _ = stalled.run("mails", "release", alert.id, "--line", "We come on Friday.", "--by", "A. Fitter")
    assert code == 0
    assert "tenant@example.org will be told" in out
    with Ledger(stalled.files.ledger_url) as ledger:
        (event,) = ledger.events("home-1", 2**62)[0]
        assert (event.kind, event.subject) == (EventKind.RELEASED, alert.id)
    with SqliteReadings(stalled.files.readings) as store:
        store.append({"home-1": []}, event.received_ms + HOUR_MS)
    stalled.judge()
    with Ledger(stalled.files.ledger_url) as ledger:
        (mail,) = (one for one in ledger.mails("home-1") if one.role == "occupier")
    assert (mail.reason, mail.line) == (MailReason.OPENED, "We come on Friday.")
    code, _, err = stalled.run("mails", "release", alert.id)
    assert code == 2
    assert "held back" in err, "once is enough"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["home-9"], "no such site", id="no such site"),
        pytest.param(["release", "home-1/output-low/inverter-1@20260101T0000Z"], "held back", id="no such alert"),
        pytest.param(["release"], "no such site", id="no id"),
        pytest.param(["show", "a", "b"], "release ID", id="too much"),
        pytest.param(["release", "ID", "--line", "x" * 501], "500 signs", id="too long a line"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_recorded(stalled: Place, arguments: list[str], said: str) -> None:
    words = [the_alert(stalled).id if word == "ID" else word for word in arguments]
    code, _, err = stalled.run("mails", *words)
    assert code == 2
    assert said in err
    with Ledger(stalled.files.ledger_url) as ledger:
        assert ledger.events("home-1", 2**62)[0] == []
