"""Which change of an alert is mailed, to whom, and when an open one is brought up again."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from watcher.alert.lifecycle import Change, Rest
from watcher.alert.mailing import mails_of, reminder_points, reminders
from watcher.alert.policy import POLICY
from watcher.alert.telling import recipients
from watcher.domain.alert import Alert, AlertState, ClosedAs, MailReason
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, iso, parse_iso
from watcher.domain.site import Contact, Role, Site

STALLED = POLICY[Finding.METER_STALLED]
SILENT = POLICY[Finding.METER_SILENT]
OWNER = Contact(Role.OWNER, "ann@example.org")
OCCUPIER = Contact(Role.OCCUPIER, "bob@example.org")
PAYEE = Contact(Role.PAYEE, "fund@example.org")
TRADE = Contact(Role.INSTALLER, "trade@example.org")
OPENED = parse_iso("2026-06-21T10:35:00Z")


def site(*contacts: Contact) -> Site:
    return Site("home-1", "Home", 53.5, -2.2, 50.0, ZoneInfo("Europe/London"), contacts=contacts)


def alert(
    state: AlertState = AlertState.OPEN, opened_ms: int = OPENED, finding: Finding = Finding.METER_STALLED
) -> Alert:
    return Alert(
        site="home-1",
        finding=finding,
        subject="meter-1",
        state=state,
        written_ms=opened_ms,
        onset_ms=opened_ms,
        onset_low_ms=opened_ms,
        onset_high_ms=opened_ms,
        opened_ms=None if state is AlertState.SUSPECTED else opened_ms,
        cleared_ms=opened_ms + DAY_MS if state is AlertState.CLEARED else None,
        closed_as=ClosedAs.RECOVERED if state is AlertState.CLEARED else None,
    )


@pytest.mark.parametrize(
    ("finding", "contacts", "told"),
    [
        pytest.param(Finding.METER_STALLED, [OWNER, TRADE, PAYEE], [OWNER, TRADE, PAYEE], id="who is paid is told"),
        pytest.param(Finding.METER_STALLED, [OCCUPIER, TRADE], [OCCUPIER, TRADE], id="no owner, no payee"),
        pytest.param(Finding.METER_SILENT, [OWNER, OCCUPIER, TRADE], [TRADE], id="a silent meter is the trade's"),
        pytest.param(Finding.METER_SILENT, [OWNER], [], id="nobody of the audience"),
        pytest.param(Finding.METER_MISMATCH, [OWNER, TRADE], [OWNER, TRADE], id="no payee named: the owner is"),
        pytest.param(Finding.METER_MISMATCH, [OWNER, PAYEE, TRADE], [PAYEE, TRADE], id="a payee named: not the owner"),
        pytest.param(Finding.OUTPUT_LOW, [PAYEE, OWNER], [OWNER], id="low output is no matter of the payee's"),
        pytest.param(
            Finding.NO_GENERATION,
            [Contact(Role.LANDLORD, "l@example.org"), Contact(Role.OPERATOR, "o@example.org"), OWNER],
            [OWNER],
            id="landlord and operator are not asked",
        ),
    ],
)
def test_the_audience(finding: Finding, contacts: list[Contact], told: list[Contact]) -> None:
    assert list(recipients(site(*contacts), POLICY[finding])) == told


def test_each_address_is_written_to_once_in_its_first_role() -> None:
    twice = [OWNER, Contact(Role.OCCUPIER, "Ann@Example.org"), TRADE, Contact(Role.PAYEE, "ann@example.org")]
    assert [(c.role, c.email) for c in recipients(site(*twice), STALLED)] == [
        (Role.OWNER, "ann@example.org"),
        (Role.INSTALLER, "trade@example.org"),
    ]


@pytest.mark.parametrize(
    ("before", "state", "reason"),
    [
        (Rest.NONE, AlertState.OPEN, MailReason.OPENED),
        (AlertState.SUSPECTED, AlertState.OPEN, MailReason.OPENED),
        (AlertState.OPEN, AlertState.CLEARED, MailReason.CLEARED),
        (Rest.NONE, AlertState.SUSPECTED, None),
        (AlertState.SUSPECTED, AlertState.SUSPECTED, None),
        (AlertState.OPEN, AlertState.OPEN, None),
    ],
)
def test_only_opening_and_clearing_are_mailed(
    before: AlertState | Rest, state: AlertState, reason: MailReason | None
) -> None:
    change = Change(OPENED, alert().id, before, alert(state))
    mails = list(mails_of(change, site(OWNER, TRADE), STALLED))
    expected = [] if reason is None else [(reason, "owner", OPENED), (reason, "installer", OPENED)]
    assert [(mail.reason, mail.role, mail.decided_ms) for mail in mails] == expected


def test_a_dropped_suspicion_is_never_heard_of() -> None:
    change = Change(OPENED, alert().id, AlertState.SUSPECTED, None)
    assert list(mails_of(change, site(OWNER, TRADE), STALLED)) == []


@pytest.mark.parametrize(
    ("opened", "zone", "points"),
    [
        pytest.param(
            "2026-06-21T10:35:00Z",
            "Europe/London",
            ["2026-06-24T08:00:00Z", "2026-07-01T08:00:00Z", "2026-07-08T08:00:00Z", "2026-07-15T08:00:00Z"],
            id="summer: day 3, day 10, then weekly, at nine",
        ),
        pytest.param(
            "2026-10-20T22:50:00Z",
            "Europe/London",
            ["2026-10-23T08:00:00Z", "2026-10-30T09:00:00Z", "2026-11-06T09:00:00Z"],
            id="nine stays nine when the clocks go back",
        ),
        pytest.param(
            "2026-03-25T12:00:00Z",
            "Europe/London",
            ["2026-03-28T09:00:00Z", "2026-04-04T08:00:00Z", "2026-04-11T08:00:00Z"],
            id="and when they go forward",
        ),
        pytest.param(
            "2026-06-21T23:30:00Z",
            "Europe/London",
            ["2026-06-25T08:00:00Z", "2026-07-02T08:00:00Z"],
            id="after local midnight it is the next day's alert",
        ),
        pytest.param(
            "2026-06-21T06:00:00Z",
            "Asia/Kathmandu",
            ["2026-06-24T03:15:00Z", "2026-07-01T03:15:00Z"],
            id="an offset of quarters",
        ),
    ],
)
def test_reminders_come_at_nine_local(opened: str, zone: str, points: list[str]) -> None:
    here = replace(site(OWNER), zone=ZoneInfo(zone))
    found = reminder_points(alert(opened_ms=parse_iso(opened)), here, STALLED, parse_iso(points[-1]))
    assert [iso(point_ms) for point_ms in found] == points


def test_a_reminder_is_due_at_its_point_and_at_no_other() -> None:
    due_ms = parse_iso("2026-06-24T08:00:00Z")
    home = site(OWNER, TRADE)
    assert [mail.reason for mail in reminders(alert(), home, STALLED, due_ms)] == [MailReason.REMINDER] * 2
    for other_ms in (due_ms - GRID_MS, due_ms + GRID_MS, due_ms + DAY_MS, OPENED):
        assert list(reminders(alert(), home, STALLED, other_ms)) == []


@pytest.mark.parametrize("state", [AlertState.SUSPECTED, AlertState.CLEARED])
def test_only_an_open_alert_is_brought_up_again(state: AlertState) -> None:
    assert list(reminder_points(alert(state), site(OWNER), STALLED, OPENED + 100 * DAY_MS)) == []


def test_a_finding_without_reminder_days_is_said_once() -> None:
    once = replace(STALLED, remind_days=())
    assert list(reminder_points(alert(), site(OWNER), once, OPENED + 100 * DAY_MS)) == []


def test_mails_of_one_alert_have_ids_of_their_own() -> None:
    home, found = site(OWNER, TRADE), []
    for change in (
        Change(OPENED, alert().id, Rest.NONE, alert()),
        Change(OPENED + DAY_MS, alert().id, AlertState.OPEN, alert(AlertState.CLEARED)),
    ):
        found += [mail.id for mail in mails_of(change, home, STALLED)]
    for point_ms in reminder_points(alert(), home, STALLED, OPENED + 60 * DAY_MS):
        found += [mail.id for mail in reminders(alert(), home, STALLED, point_ms)]
    assert len(found) == len(set(found)) == 2 * (2 + 9)


def test_a_silent_meter_s_mail_names_its_reader() -> None:
    change = Change(OPENED, alert(finding=Finding.METER_SILENT).id, Rest.NONE, alert(finding=Finding.METER_SILENT))
    (mail,) = mails_of(change, site(OWNER, TRADE), SILENT)
    assert mail.id == "home-1/meter-silent/meter-1@20260621T1035Z#opened#installer#trade@example.org"
