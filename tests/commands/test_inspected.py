"""`watcher inspected`: from the command line through the ledger to an alert that is closed, and what is refused."""

from __future__ import annotations

import pytest

from tests.commands.conftest import Place, a_day
from watcher.detect.states import Bit
from watcher.domain.alert import Alert, AlertState, ClosedAs
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS, iso
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings


def the_alert(place: Place) -> Alert:
    with Ledger(place.files.ledger_url) as ledger:
        (alert,) = (one for one in ledger.alerts("home-1") if one.finding is Finding.EARTH_FAULT)
        return alert


@pytest.fixture
def warned(place: Place) -> Place:
    """A home whose inverter said at noon that there is an earth fault."""
    noon = a_day().start + 12 * HOUR_MS
    place.import_power()
    table = place.table("bits", ((at, 1 << Bit.EARTH_FAULT if at == noon else 0) for at in a_day()))
    columns = place.map("bits", "inverter-1.event_bits", "")
    code, out, err = place.run("import", table, "--site", "home-1", "--columns", columns)
    assert code == 0, out + err
    place.judge()
    return place


def test_what_is_open_is_listed_where_nothing_is_named(warned: Place) -> None:
    code, out, _ = warned.run("inspected", "--site", "home-1")
    assert code == 0
    assert the_alert(warned).id in out
    with Ledger(warned.files.ledger_url) as ledger:
        assert ledger.events("home-1", 2**62)[0] == []


@pytest.mark.parametrize("by_id", [False, True])
def test_an_inspection_closes_the_safety_alert_with_the_next_judging(warned: Place, by_id: bool) -> None:
    alert = the_alert(warned)
    assert alert.state is AlertState.OPEN
    what = alert.id if by_id else "inverter-1"
    code, out, _ = warned.run("inspected", "--site", "home-1", what, "--by", "A. Fitter", "--note", "connector wet")
    assert code == 0
    assert "inspected by A. Fitter" in out
    with Ledger(warned.files.ledger_url) as ledger:
        (event,) = ledger.events("home-1", 2**62)[0]
        assert (event.kind, event.subject) == (EventKind.INSPECTED, "inverter-1")
        assert event.values == {"who": "A. Fitter", "note": "connector wet"} | ({"alert": alert.id} if by_id else {})
    assert the_alert(warned).state is AlertState.OPEN, "judged, not changed by hand"
    with SqliteReadings(warned.files.readings) as store:
        store.append({"home-1": []}, event.received_ms + HOUR_MS)
    warned.judge()
    assert (the_alert(warned).state, the_alert(warned).closed_as) == (AlertState.CLEARED, ClosedAs.INSPECTED)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["--site", "home-9", "inverter-1"], "no such site", id="no such site"),
        pytest.param(["--site", "home-1", "inverter-7"], "nothing open", id="no such device"),
        pytest.param(["--site", "home-1", "inverter-1", "--at", "yesterday"], "ISO 8601", id="no time"),
        pytest.param(["--site", "home-1", "inverter-1", "--at", iso(2**43)], "lies ahead", id="not yet"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_recorded(warned: Place, arguments: list[str], said: str) -> None:
    code, _, err = warned.run("inspected", *arguments)
    assert code == 2
    assert said in err
    with Ledger(warned.files.ledger_url) as ledger:
        assert ledger.events("home-1", 2**62)[0] == []
