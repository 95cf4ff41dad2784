"""Several mails in one letter: as plain as any other for a home, each alert once, what is not over first."""

from __future__ import annotations

import pytest

from tests.alert.test_wording import (
    FIRM,
    HOME_ROLES,
    INNER,
    INNER_AS_WRITTEN,
    ONSET_MS,
    SITE,
    alert_of,
    cleared,
    every_row,
    prose,
    reading_ease,
)
from watcher.alert.wording import Letter
from watcher.alert.wording_digest import digest
from watcher.alert.wording_money import may_see_money
from watcher.domain.alert import ClosedAs, Mail, MailReason
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS
from watcher.domain.site import Role


def told(row: tuple[Finding, str], role: Role, closed_as: ClosedAs | None) -> Letter:
    """An opening, a reminder of it and, where it is over, its end."""
    alert = alert_of(*row)
    mails = [
        Mail(alert, reason, role, "jean@home.example", ONSET_MS + days * DAY_MS)
        for reason, days in ((MailReason.OPENED, 1), (MailReason.REMINDER, 2))
    ]
    if closed_as is not None:
        over = cleared(alert, closed_as)
        mails.append(Mail(over, MailReason.CLEARED, role, "jean@home.example", ONSET_MS + 3 * DAY_MS))
    return digest([(mail, SITE) for mail in mails], FIRM)


@every_row
@pytest.mark.parametrize("closed_as", [None, *ClosedAs])
def test_a_digest_to_a_home_is_plain_and_without_inner_words(
    row: tuple[Finding, str], closed_as: ClosedAs | None
) -> None:
    for role in HOME_ROLES:
        letter = told(row, role, closed_as)
        sentences = prose(letter)
        assert reading_ease(sentences) >= 60, sentences
        for sentence in sentences:
            assert not INNER.search(sentence), sentence
            assert not INNER_AS_WRITTEN.search(sentence), sentence
            assert "£" not in sentence or may_see_money(role, SITE), sentence
        assert "do not touch" in " ".join(sentences) or closed_as is not None


@every_row
def test_an_alert_stands_in_a_digest_once_as_it_is_now(row: tuple[Finding, str]) -> None:
    for closed_as, title in ((None, "Open (1)"), (ClosedAs.RECOVERED, "Closed (1)")):
        sections = {section.title: section for section in told(row, Role.INSTALLER, closed_as).sections}
        assert len(sections[title].steps) == 1
        assert [name for name in sections if name.startswith(("Open", "Closed"))] == [title]
