"""An alert whose subject leaves the site file: it ends, and says why."""

from __future__ import annotations

import pytest

from tests.detect.made_homes import Home, home_site, record_of
from tests.detect.made_lines import stored
from watcher.domain.alert import Alert, AlertState, ClosedAs, MailReason
from watcher.domain.evaluation import Evaluation
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, parse_iso
from watcher.evaluate import Span, evaluate

START = parse_iso("2026-06-20T00:00:00Z")


def standing(state: AlertState, subject: str) -> Alert:
    opened_ms = START + GRID_MS if state is AlertState.OPEN else None
    return Alert(
        "home-1", Finding.METER_SILENT, subject, state, START + GRID_MS, START, START, START, opened_ms=opened_ms
    )


def evaluated(alert: Alert) -> Evaluation:
    home = Home(home_site(), START, 2)
    with stored(home, home.raw()) as store:
        span = Span(START + DAY_MS + GRID_MS, START + DAY_MS + 12 * GRID_MS)
        return evaluate(record_of(home.site), store, (), [alert], span)


def test_an_open_alert_of_a_meter_no_longer_on_file_ends_as_record_changed() -> None:
    found = evaluated(standing(AlertState.OPEN, "meter-9"))
    (alert,) = [one for one in found.alerts if one.subject == "meter-9"]
    assert alert.state is AlertState.CLEARED
    assert alert.closed_as is ClosedAs.RECORD_CHANGED
    assert alert.cleared_ms == found.first_ms
    assert {mail.reason for mail in found.mails if mail.alert.subject == "meter-9"} == {MailReason.CLEARED}


def test_a_suspicion_of_it_is_dropped_without_a_word() -> None:
    suspicion = standing(AlertState.SUSPECTED, "meter-9")
    found = evaluated(suspicion)
    assert found.dropped == (suspicion.id,)
    assert found.mails == ()


@pytest.mark.parametrize("state", [AlertState.OPEN, AlertState.SUSPECTED])
def test_an_alert_whose_subject_is_on_file_is_not_touched_by_that(state: AlertState) -> None:
    found = evaluated(standing(state, "meter-1"))
    assert not any(one.closed_as is ClosedAs.RECORD_CHANGED for one in found.alerts)
