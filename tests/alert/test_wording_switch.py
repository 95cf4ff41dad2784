"""The solar switch: said word for word only where it may be, and never together with "leave all switches"."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.alert.test_wording import SITE, alert_of, prose, reading_ease, written
from tests.commands.conftest import HOME
from watcher.alert.policy import POLICY
from watcher.alert.wording import letter
from watcher.alert.wording_switch import SWITCH_STEPS, may_tell
from watcher.alert.wording_table import FAULTS
from watcher.config.site_file import load_site
from watcher.domain.alert import Alert, AlertClass, Mail, MailReason
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import HOUR_MS
from watcher.domain.site import Role

SAFETY = [finding for finding, policy in POLICY.items() if policy.alert_class is AlertClass.SAFETY]
OFF = alert_of(Finding.NO_GENERATION, "ac-side-off")


def text_of(alert: Alert, standing: list[Alert] | None, role: Role = Role.OWNER, allowed: bool = True) -> str:
    mail = Mail(alert, MailReason.OPENED, role, "jean@home.example", alert.onset_ms + HOUR_MS)
    return " ".join(prose(letter(mail, replace(SITE, switch_step=allowed), Firm("Elm Solar"), standing)))


def test_the_sentences_are_all_there_in_their_order() -> None:
    text = text_of(OFF, [OFF])
    at = [text.index(step) for step in SWITCH_STEPS]
    assert at == sorted(at)
    for meant in ("look at the switch", "locked", "label", "at work", "just off", "dry", "smell", "burn", "once"):
        assert meant in text
    assert text.rindex("leave it off and call") > text.index("turn it on once")
    assert "leave all switches" not in text
    assert "Do not try to start things again" not in text
    assert "Do not use one that is marked DC." in text


def test_the_letter_with_them_is_still_plain() -> None:
    mail = Mail(OFF, MailReason.OPENED, Role.OWNER, "jean@home.example", OFF.onset_ms + HOUR_MS)
    assert reading_ease(prose(letter(mail, SITE, Firm("Elm Solar"), [OFF]))) >= 60


@pytest.mark.parametrize("row", FAULTS, ids=lambda row: f"{row[0]} {row[1] or '(unknown)'}")
def test_only_a_stop_on_the_mains_side_may_say_so(row: tuple[Finding, str]) -> None:
    alert = alert_of(*row)
    allowed = row in ((Finding.NO_GENERATION, "ac-side-off"), (Finding.NO_GENERATION, "circuit-off-upstream"))
    assert may_tell(alert, SITE, [alert]) is allowed
    assert ("turn it on" in text_of(alert, [alert])) is allowed


@pytest.mark.parametrize("safety", SAFETY, ids=str)
def test_not_while_any_warning_about_safety_stands_at_the_site(safety: Finding) -> None:
    text = text_of(OFF, [OFF, replace(alert_of(safety), subject="inverter-2")])
    assert "turn it on" not in text
    assert "Please leave all switches as they are." in text


def test_not_where_nobody_knows_what_stands_where_the_site_forbids_it_or_the_side_is_not_sure() -> None:
    assert "turn it on" not in text_of(OFF, None)
    assert "turn it on" not in text_of(OFF, [OFF], allowed=False)
    assert "turn it on" not in text_of(replace(OFF, causes=("ac-side-off", "dc-side-off")), [OFF])
    assert "turn it on" not in text_of(OFF, [OFF], Role.INSTALLER)


def test_a_site_file_turns_it_off() -> None:
    assert load_site(HOME, "home-1.toml", "home-1").base.switch_step
    assert not load_site(HOME + "\n[letters]\nswitch_step = false\n", "home-1.toml", "home-1").base.switch_step


@pytest.mark.parametrize("role", [Role.OWNER, Role.OCCUPIER, Role.PAYEE, Role.LANDLORD])
@pytest.mark.parametrize("finding", SAFETY, ids=str)
def test_a_warning_about_safety_is_short_and_without_money_and_says_what_not_to_do(
    finding: Finding, role: Role
) -> None:
    told = written(alert_of(finding), role)
    text = " ".join(prose(told))
    assert len(text.split()) <= 200
    assert "£" not in text
    assert "kWh" not in text
    assert "If you see smoke or smell burning, leave the house and call 999." in text
    assert "do not touch or reset anything" in text
