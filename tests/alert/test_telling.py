"""Who hears first, who later, what a release and a "remind me" change, and what nothing can put off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from tests.detect.made_homes import Home, home_site, record_of
from tests.detect.made_lines import stored
from watcher.alert.lifecycle import Change, Rest
from watcher.alert.mailing import mails_of, reminder_points, reminders
from watcher.alert.policy import POLICY, policies
from watcher.alert.telling import told_from, waiting, waits
from watcher.catch_up import Case, catch_up
from watcher.domain.alert import Alert, AlertClass, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRACE_MS, GRID_MS, HOUR_MS, first_point_that_sees, iso, parse_iso
from watcher.domain.site import Contact, Role, Site
from watcher.replay import differences, replay
from watcher.store.ledger import Ledger

OPENED = parse_iso("2026-06-21T10:35:00Z")
OWNER = Contact(Role.OWNER, "ann@example.org")
OCCUPIER = Contact(Role.OCCUPIER, "bob@example.org")
LANDLORD = Contact(Role.LANDLORD, "lord@example.org")
PAYEE = Contact(Role.PAYEE, "fund@example.org")
FIRM = Contact(Role.INSTALLER, "firm@example.org")
LOW, STALLED, EARTH = Finding.OUTPUT_LOW, Finding.METER_STALLED, Finding.EARTH_FAULT


def site(*contacts: Contact) -> Site:
    return Site("home-1", "Home", 53.5, -2.2, 50.0, ZoneInfo("Europe/London"), contacts=contacts)


def alert(finding: Finding = LOW, opened_ms: int = OPENED) -> Alert:
    return Alert("home-1", finding, "it", AlertState.OPEN, *[opened_ms] * 4, opened_ms=opened_ms)


def over(standing: Alert, at_ms: int) -> Change:
    cleared = replace(standing, state=AlertState.CLEARED, cleared_ms=at_ms, closed_as=ClosedAs.RECOVERED)
    return Change(at_ms, standing.id, AlertState.OPEN, cleared)


def said(kind: EventKind, when: str, **values: str) -> Event:
    return Event("home-1", kind, alert().id, parse_iso(when), parse_iso(when), values)


def heard(mails: Sequence[Mail]) -> list[tuple[MailReason, str]]:
    return [(mail.reason, mail.role) for mail in mails]


@pytest.mark.parametrize(
    ("finding", "contacts", "late"),
    [
        pytest.param(LOW, [OWNER, FIRM], [OWNER], id="the firm first, then the home"),
        pytest.param(LOW, [OWNER, OCCUPIER], [], id="no firm: nobody to wait for"),
        pytest.param(EARTH, [OWNER, OCCUPIER, LANDLORD, PAYEE, FIRM], [], id="safety: all, at once"),
        pytest.param(STALLED, [OCCUPIER, PAYEE, FIRM], [OCCUPIER], id="who is paid does not wait"),
        pytest.param(STALLED, [OWNER, OCCUPIER, FIRM], [OCCUPIER], id="an owner who is paid does not wait"),
        pytest.param(STALLED, [OWNER, PAYEE, FIRM], [OWNER], id="an owner who is not paid waits"),
    ],
)
def test_who_waits_for_the_firm(finding: Finding, contacts: list[Contact], late: list[Contact]) -> None:
    assert [one for one in contacts if waits(one, contacts, POLICY[finding])] == late


@pytest.mark.parametrize("finding", POLICY, ids=str)
def test_nothing_about_safety_waits_for_anybody(finding: Finding) -> None:
    everyone = [Contact(role, f"{role}@example.org") for role in Role]
    if POLICY[finding].alert_class is AlertClass.SAFETY:
        bent = policies({str(finding): {"home_after_days": 30}})[finding]
        assert not any(waits(one, everyone, bent) for one in everyone)
        asked = [said(EventKind.MUTE, "2026-06-21T11:00:00Z", address="owner@example.org", on="2026-09-01")]
        muted = [replace(asked[0], subject=alert(finding).id)]
        due = reminder_points(alert(finding), site(*everyone), bent, OPENED + 60 * DAY_MS, muted)
        for point_ms in due:
            people = {mail.role for mail in reminders(alert(finding), site(*everyone), bent, point_ms, muted)}
            assert people == {str(role) for role in Role}


def test_the_home_hears_at_nine_after_the_set_days() -> None:
    home, policy = site(OWNER, FIRM), POLICY[LOW]
    opening = Change(OPENED, alert().id, Rest.NONE, alert())
    assert heard(list(mails_of(opening, home, policy))) == [(MailReason.OPENED, "installer")]
    due_ms = told_from(alert(), OWNER, home, policy, ())
    assert iso(due_ms) == "2026-06-24T08:00:00Z"
    assert heard(list(reminders(alert(), home, policy, due_ms))) == [
        (MailReason.OPENED, "owner"),
        (MailReason.REMINDER, "installer"),
    ]
    later_ms = parse_iso("2026-07-01T08:00:00Z")
    assert heard(list(reminders(alert(), home, policy, later_ms))) == [
        (MailReason.REMINDER, "owner"),
        (MailReason.REMINDER, "installer"),
    ]


def test_a_site_may_have_the_home_told_at_once_or_much_later() -> None:
    home = site(OWNER, FIRM)
    for days, told in ((0, [OWNER.role, FIRM.role]), (30, [FIRM.role])):
        policy = policies({"output-low": {"home_after_days": days}})[LOW]
        mails = mails_of(Change(OPENED, alert().id, Rest.NONE, alert()), home, policy)
        assert [mail.role for mail in mails] == told


def test_who_had_not_heard_of_a_fault_does_not_hear_of_its_end() -> None:
    home, policy = site(OWNER, FIRM), POLICY[LOW]
    due_ms = told_from(alert(), OWNER, home, policy, ())
    for at_ms, told in ((due_ms - GRID_MS, ["installer"]), (due_ms, ["installer"]), (due_ms + GRID_MS, None)):
        roles = [mail.role for mail in mails_of(over(alert(), at_ms), home, policy)]
        assert roles == (told or ["owner", "installer"])


def test_a_release_tells_the_home_at_once_with_the_firms_line() -> None:
    home, policy = site(OWNER, FIRM), POLICY[LOW]
    release = said(EventKind.RELEASED, "2026-06-21T15:02:00Z", who="A. Fitter", line="We come on Friday.")
    point_ms = first_point_that_sees(release.received_ms)
    (mail,) = reminders(alert(), home, policy, point_ms, [release])
    assert (mail.reason, mail.role, mail.line) == (MailReason.OPENED, "owner", "We come on Friday.")
    assert point_ms in reminder_points(alert(), home, policy, point_ms, [release])
    due_ms = told_from(alert(), OWNER, home, policy, ())
    assert heard(list(reminders(alert(), home, policy, due_ms, [release]))) == [
        (MailReason.REMINDER, "owner"),
        (MailReason.REMINDER, "installer"),
    ]
    assert waiting(alert(), home, policy, [release], point_ms - 1) == {OWNER: point_ms}
    assert waiting(alert(), home, policy, [release], point_ms) == {}


def test_a_release_of_another_alert_changes_nothing() -> None:
    other = replace(said(EventKind.RELEASED, "2026-06-21T15:02:00Z"), subject="home-1/output-low/it@20250621T1035Z")
    home, policy = site(OWNER, FIRM), POLICY[LOW]
    assert told_from(alert(), OWNER, home, policy, [other]) == told_from(alert(), OWNER, home, policy, ())


def test_remind_me_puts_off_one_reader_until_the_day_and_nobody_else() -> None:
    home, policy = site(OWNER, OCCUPIER), POLICY[LOW]
    asked = said(EventKind.MUTE, "2026-06-22T18:00:00Z", address="Ann@example.org", on="2026-07-03")
    points = list(reminder_points(alert(), home, policy, parse_iso("2026-07-09T00:00:00Z"), [asked]))
    got = {iso(at): [mail.role for mail in reminders(alert(), home, policy, at, [asked])] for at in points}
    assert got == {
        "2026-06-24T08:00:00Z": ["occupier"],
        "2026-07-01T08:00:00Z": ["occupier"],
        "2026-07-03T08:00:00Z": ["owner"],
        "2026-07-08T08:00:00Z": ["owner", "occupier"],
    }


def test_the_newest_day_asked_for_counts_and_one_gone_by_does_not() -> None:
    home, policy = site(OWNER), POLICY[LOW]
    first = said(EventKind.MUTE, "2026-06-22T18:00:00Z", address=OWNER.email, on="2026-06-26")
    second = said(EventKind.MUTE, "2026-06-23T18:00:00Z", address=OWNER.email, on="2026-06-28")
    past = said(EventKind.MUTE, "2026-06-27T18:00:00Z", address=OWNER.email, on="2026-06-27")
    events = [first, second, past]
    points = reminder_points(alert(), home, policy, parse_iso("2026-07-01T00:00:00Z"), events)
    told = [iso(at) for at in points if list(reminders(alert(), home, policy, at, events))]
    assert told == ["2026-06-28T08:00:00Z"]


@pytest.mark.parametrize("zone", ["Europe/London", "Pacific/Auckland", "America/Los_Angeles"])
@pytest.mark.parametrize("hour", range(0, 24, 3))
def test_nobody_is_due_on_the_utc_day_of_the_opening(zone: str, hour: int) -> None:
    """Spans are cut by the alerts that stood before them, and none is longer than a UTC day."""
    opened_ms = parse_iso("2026-06-21T00:00:00Z") + hour * HOUR_MS + GRID_MS
    here = replace(site(OWNER, FIRM), zone=ZoneInfo(zone))
    for finding in (LOW, Finding.NO_GENERATION, EARTH):
        until_ms = opened_ms + 20 * DAY_MS
        points = list(reminder_points(alert(finding, opened_ms), here, POLICY[finding], until_ms))
        assert min(points) > parse_iso("2026-06-22T00:00:00Z")


# Through the whole line


def stopped_home(contacts: tuple[Contact, ...]) -> Home:
    """From the second day's nine o'clock it makes nothing."""
    home = Home(replace(home_site(), contacts=contacts, policy={}), parse_iso("2026-06-08T00:00:00Z"), 6)
    for input in home.share:
        home.share[input][home.between("2026-06-09T09:00:00Z")] = 0.0
    return home


def judged_live(home: Home, events: Mapping[str, tuple[EventKind, Mapping[str, str]]]) -> tuple[Ledger, list[str]]:
    """Judged up to each instant, what is said then recorded, judged on; and what a replay finds different."""
    with stored(home, home.raw()) as store:
        ledger = Ledger("sqlite://")
        ledger.put_version("home-1", "", 0)
        case = Case("home-1", store, ledger, lambda text: record_of(home.site))
        for when, (kind, values) in events.items():
            at_ms = parse_iso(when)
            for _ in catch_up(case, through_ms=at_ms, from_ms=home.start_ms):
                pass
            (standing,) = ledger.standing_alerts("home-1")
            ledger.add_event("home-1", kind, standing.id, at_ms, values, at_ms + GRACE_MS)
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        again = replay("home-1", store, ledger, lambda text: record_of(home.site), from_ms=home.start_ms)
        found = differences("home-1", ledger, again)
        again.close()
        return ledger, found


def test_a_replay_tells_the_same_people_at_the_same_points_with_releases_and_put_offs() -> None:
    home = stopped_home((OWNER, OCCUPIER, FIRM))
    events = {
        "2026-06-09T16:00:00Z": (EventKind.RELEASED, {"who": "A. Fitter", "line": "We know."}),
        "2026-06-09T20:00:00Z": (EventKind.MUTE, {"address": OWNER.email, "on": "2026-06-11"}),
        "2026-06-11T20:00:00Z": (EventKind.MUTE, {"address": OCCUPIER.email, "on": "2026-06-13"}),
    }
    ledger, found = judged_live(home, events)
    assert found == []
    told = [(mail.reason, mail.role, iso(mail.decided_ms), mail.line) for mail in ledger.mails("home-1")]
    first = [one for one in told if one[0] is MailReason.OPENED]
    assert [role for _, role, _, _ in first] == ["installer", "occupier", "owner"]
    assert {(when, line) for _, role, when, line in first if role != "installer"} == {
        ("2026-06-09T16:05:00Z", "We know.")
    }
    reminded = [(role, when) for reason, role, when, _ in told if reason is MailReason.REMINDER]
    assert reminded == [
        ("owner", "2026-06-11T08:00:00Z"),
        ("installer", "2026-06-12T08:00:00Z"),
        ("owner", "2026-06-12T08:00:00Z"),
        ("occupier", "2026-06-13T08:00:00Z"),
    ]
    ledger.close()


def test_an_installer_first_home_is_told_by_itself_the_next_morning() -> None:
    ledger, found = judged_live(stopped_home((OWNER, FIRM)), {})
    assert found == []
    first = [(mail.role, iso(mail.decided_ms)) for mail in ledger.mails("home-1") if mail.reason is MailReason.OPENED]
    assert first[0][0] == "installer"
    assert first[1:] == [("owner", "2026-06-10T08:00:00Z")]
    ledger.close()
