"""Panels that are off for work on the roof: nothing is judged of them, the rest is, and cutting changes nothing."""

from __future__ import annotations

import pytest

from tests.detect.made_homes import EAST, WEST, Home, broken, home_site, record_of
from tests.detect.made_lines import bench, stored, told
from watcher.align.roof_work import Away, aways, with_roof_work
from watcher.catch_up import catch_up
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.store.ledger import Ledger

START = parse_iso("2026-06-10T00:00:00Z")
OFF, ON = parse_iso("2026-06-12T07:00:00Z"), parse_iso("2026-06-15T16:00:00Z")
DAYS = 10


def without_west() -> Home:
    home = Home(home_site(EAST, WEST), START, DAYS, broken(DAYS * POINTS_A_DAY, 4, level=0.75))
    gone = home.between("2026-06-12T07:00:00Z", "2026-06-15T16:00:00Z")
    home.share["inverter-1.input-2"][gone], home.voltage["inverter-1.input-2"][gone] = 0.0, 0.0
    return home


def judged(home: Home, *said: tuple[str, int], step_ms: int = 0) -> Ledger:
    """step_ms: how far each call of the worker reaches; 0 for all at once"""
    with stored(home, home.raw()) as store:
        case = bench(home, store)
        for panels, at_ms in said:
            case.ledger.add_event("home-1", EventKind.ROOF_WORK, "west", at_ms, {"panels": panels}, at_ms)
        steps = range(START + step_ms, home.end_ms, step_ms) if step_ms else ()
        for point_ms in (*steps, home.end_ms):
            for _ in catch_up(case, point_ms, from_ms=home.start_ms):
                pass
        return case.ledger


def test_panels_that_are_off_raise_nothing_and_the_others_are_judged_on() -> None:
    with judged(without_west(), ("off", OFF), ("on", ON)) as ledger:
        assert told(ledger) == []
        runs = ledger.runs("home-1", OFF + DAY_MS, ON - DAY_MS)
        judged_inputs = {run.subject for run in runs if run.finding is Finding.STRING_OPEN}
        assert judged_inputs >= {"inverter-1.input-1"}


def test_without_a_word_the_same_days_are_a_fault() -> None:
    with judged(without_west()) as ledger:
        assert Finding.STRING_OPEN in {alert.finding for alert in told(ledger)}


def test_what_is_still_off_after_the_panels_are_said_to_be_back_is_told() -> None:
    home = without_west()
    later = home.between("2026-06-15T16:00:00Z")
    home.share["inverter-1.input-2"][later], home.voltage["inverter-1.input-2"][later] = 0.0, 0.0
    with judged(home, ("off", OFF), ("on", ON)) as ledger:
        (alert,) = told(ledger, Finding.STRING_OPEN)
        assert alert.opened_ms is not None
        assert alert.opened_ms > parse_iso("2026-06-16T00:00:00Z")


@pytest.mark.parametrize("late_ms", [0, 11 * HOUR_MS])
def test_cutting_changes_nothing_about_it(late_ms: int) -> None:
    home = without_west()
    outcomes = []
    for step_ms in (0, 3 * HOUR_MS + 5 * GRID_MS):
        with judged(home, ("off", OFF + late_ms), ("on", ON + late_ms), step_ms=step_ms) as ledger:
            outcomes.append((ledger.runs("home-1"), ledger.alerts("home-1"), ledger.days("home-1")))
    assert outcomes[0] == outcomes[1]


def event(panels: str, at_ms: int) -> Event:
    return Event("home-1", EventKind.ROOF_WORK, "west", at_ms, at_ms, {"panels": panels})


def test_the_days_are_whole_and_the_facts_are_the_same_again_afterwards() -> None:
    record = record_of(home_site(EAST, WEST))
    worked_on = with_roof_work(record, [event("off", OFF), event("on", ON)])
    days = [parse_iso(f"2026-06-{day}T00:00:00Z") for day in (12, 16)]
    assert aways([event("on", ON), event("off", OFF)]) == (Away("west", *days),)
    assert worked_on.changes() == tuple(days)
    assert [array.id for array in worked_on.at(days[0]).arrays] == ["east"]
    assert worked_on.at(days[1]) == record.at(days[1]) == worked_on.at(days[0] - 1)
    assert with_roof_work(record, [event("on", ON)]) is record


def test_panels_that_nobody_said_are_back_stay_off() -> None:
    worked_on = with_roof_work(record_of(home_site(EAST, WEST)), [event("off", OFF), event("off", ON)])
    assert [array.id for array in worked_on.at(ON + 400 * DAY_MS).arrays] == ["east"]
