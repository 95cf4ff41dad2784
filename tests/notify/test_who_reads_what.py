"""From the outbox through a real server: who reads what of a leased roof, and of a home whose firm hears first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from tests.notify.made_post import Office, alert_at, office, site_of
from watcher.alert.lifecycle import Change, Rest
from watcher.alert.mailing import mails_of, reminders
from watcher.alert.policy import POLICY
from watcher.alert.telling import told_from
from watcher.domain.alert import Alert
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS, MINUTE_MS, first_point_that_sees, parse_iso
from watcher.domain.site import Contact, Payment, Rate, Role, Scheme

TEN = parse_iso("2026-06-10T10:00:00Z")
OWNER, TENANT = Contact(Role.OWNER, "owner@x.example"), Contact(Role.OCCUPIER, "tenant@x.example")
LANDLORD, FUND = Contact(Role.LANDLORD, "landlord@x.example"), Contact(Role.PAYEE, "fund@x.example")
FIRM = Contact(Role.INSTALLER, "firm@x.example")
LEASED = replace(
    site_of(contacts=(OWNER, TENANT, LANDLORD, FUND, FIRM)),
    payment=Payment(Scheme.FEED_IN, "a supplier", (Rate(16.5, "generation"),)),
)


def opened(desk: Office, alert: Alert, at_ms: int = TEN) -> None:
    (site,) = desk.sites.values()
    desk.decide(list(mails_of(Change(at_ms, alert.id, Rest.NONE, alert), site, POLICY[alert.finding])))
    desk.turn(at_ms + MINUTE_MS)


def readers(desk: Office) -> set[str]:
    return {str(message["To"]).partition("@")[0] for message in desk.post.got}


def with_money(desk: Office) -> set[str]:
    return {str(m["To"]).partition("@")[0] for at, m in enumerate(desk.post.got) if "£" in desk.post.text(at)}


def test_a_leased_roof_s_still_meter_is_told_to_who_is_paid_and_the_firm_and_later_to_who_lives_there(
    tmp_path: Path,
) -> None:
    alert = alert_at(TEN, Finding.METER_STALLED, subject="meter-1")
    with office([LEASED], tmp_path) as desk:
        opened(desk, alert)
        assert readers(desk) == {"fund", "firm"}
        assert with_money(desk) == {"fund", "firm"}
        later_ms = told_from(alert, TENANT, LEASED, POLICY[alert.finding], ())
        desk.decide(list(reminders(alert, LEASED, POLICY[alert.finding], later_ms)))
        desk.turn(later_ms)
        assert readers(desk) == {"fund", "firm", "owner", "tenant"}
        assert with_money(desk) == {"fund", "firm"}, "the owner of the house is not who is paid"


def test_a_leased_roof_s_earth_fault_is_told_to_all_at_once_without_money(tmp_path: Path) -> None:
    with office([LEASED], tmp_path) as desk:
        opened(desk, alert_at(TEN, Finding.EARTH_FAULT))
        assert readers(desk) == {"owner", "tenant", "landlord", "fund", "firm"}
        assert with_money(desk) == set()


def test_a_leased_roof_s_low_output_is_no_matter_of_landlord_and_payee(tmp_path: Path) -> None:
    alert = alert_at(TEN, Finding.OUTPUT_LOW)
    with office([LEASED], tmp_path) as desk:
        opened(desk, alert)
        later_ms = told_from(alert, TENANT, LEASED, POLICY[alert.finding], ())
        desk.decide(list(reminders(alert, LEASED, POLICY[alert.finding], later_ms)))
        desk.turn(later_ms)
        assert readers(desk) == {"firm", "owner", "tenant"}


def test_an_installer_first_home_reads_the_firms_line_once_it_is_released(tmp_path: Path) -> None:
    home = site_of(contacts=(OWNER, FIRM))
    alert = alert_at(TEN, Finding.STRING_OPEN, subject="inverter-1.input-1")
    with office([home], tmp_path) as desk:
        opened(desk, alert)
        assert readers(desk) == {"firm"}
        values = {"who": "A. Fitter", "line": "We come on Friday at nine."}
        release = Event(home.id, EventKind.RELEASED, alert.id, TEN + HOUR_MS, TEN + HOUR_MS, values)
        point_ms = first_point_that_sees(release.received_ms)
        desk.decide(list(reminders(alert, home, POLICY[alert.finding], point_ms, [release])))
        desk.turn(point_ms)
        assert [str(message["To"]) for message in desk.post.got] == ["firm@x.example", "owner@x.example"]
        assert "A WORD FROM ELM SOLAR We come on Friday at nine." in desk.post.text(1)
        assert "in-reply-to" not in {key.lower() for key in desk.post.got[1]}, "the first in its own thread"


def test_the_solar_switch_is_asked_about_only_while_no_warning_about_safety_stands(tmp_path: Path) -> None:
    home = site_of(contacts=(OWNER,))
    stop = replace(alert_at(TEN, Finding.NO_GENERATION), causes=("ac-side-off",))
    with office([home], tmp_path) as desk:
        opened(desk, stop)
        assert "turn it on once" in desk.post.text(0)
        opened(desk, alert_at(TEN + HOUR_MS, Finding.EARTH_FAULT), TEN + HOUR_MS)
        again = list(reminders(stop, home, POLICY[stop.finding], parse_iso("2026-06-13T08:00:00Z")))
        desk.decide(again)
        desk.turn(again[0].decided_ms)
        assert desk.post.subjects()[-1].startswith("Still not put right: ")
        assert "turn it on" not in desk.post.text(-1)
