"""The link in a letter: what it is, what it becomes, and what it cannot do."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.alert.test_wording import FIRM, SITE, alert_of
from tests.web.made_pages import NOW, TODAY, Folder, alert, make_folder
from watcher.alert.telling import MUTE_DAYS
from watcher.alert.wording import letter
from watcher.domain.alert import Mail, MailReason
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.site import Role
from watcher.notify.links import Links, Reader
from watcher.notify.message import as_html, as_text, compose
from watcher.store.ledger import Ledger
from watcher.web.people import put_private
from watcher.wiring import assemble

LINKS = Links("https://solar.example.org/", "a key")
MAIL = Mail(alert("home-2"), MailReason.OPENED, Role.OWNER, "owner@example.org", NOW)


@contextmanager
def browser(folder: Folder) -> Iterator[tuple[TestClient, str]]:
    """A browser that is not logged in, and the path of the link in home-2's letter."""
    put_private(folder.path / "data" / "pages" / "key", "a key")
    with folder.client() as client:
        yield client, LINKS.of(MAIL).removeprefix("https://solar.example.org")


def said(folder: Folder) -> list[Event]:
    with Ledger(folder.files.ledger_url) as ledger:
        return [event for event in ledger.events("home-2", 2**62)[0] if event.kind in (EventKind.SEEN, EventKind.MUTE)]


def test_a_link_names_its_reader_and_no_other_key_made_it() -> None:
    token = LINKS.of(MAIL).rpartition("/")[2]
    assert LINKS.reader(token) == Reader("home-2", MAIL.alert.id, "owner@example.org", "owner")
    assert Links("https://solar.example.org", "another key").reader(token) is None
    for changed in (token[:-1], token + "x", "x" + token, "", "a.b"):
        assert LINKS.reader(changed) is None


def test_a_letter_has_its_link_in_both_faces_and_one_about_safety_or_the_end_has_none() -> None:
    link = LINKS.of(MAIL)
    told = letter(MAIL, SITE, FIRM, None, link)
    assert f"Here: {link}" in as_text(told)
    assert f'<a href="{link}">' in as_html(told)
    danger = Mail(alert_of(Finding.ARC_FAULT), MailReason.OPENED, Role.OWNER, "jean@home.example", NOW)
    over = Mail(MAIL.alert, MailReason.CLEARED, Role.OWNER, "jean@home.example", NOW)
    for mail in (danger, over):
        assert link not in as_text(letter(mail, SITE, FIRM, None, link))
    assert "Here:" not in as_text(letter(MAIL, SITE, FIRM))


def test_to_look_changes_nothing_and_the_button_says_seen(folder: Folder) -> None:
    with browser(folder) as (client, path):
        text = client.get(path).text
        assert "I have seen this" in text
        assert "£" not in text
        assert said(folder) == []
        answer = client.post(path, data={"what": "seen", "on": ""})
        assert (answer.status_code, answer.headers["location"]) == (303, f"{path}?said")
        assert "We have noted that." in client.get(answer.headers["location"]).text
    (event,) = said(folder)
    assert (event.kind, event.subject) == (EventKind.SEEN, MAIL.alert.id)
    assert event.values == {"what": "seen", "who": "owner", "address": "owner@example.org"}


def test_remind_me_puts_off_this_reader_until_the_day(folder: Folder) -> None:
    with browser(folder) as (client, path):
        assert client.post(path, data={"what": "remind", "on": "2026-06-20"}).status_code == 303
    (event,) = said(folder)
    assert event.kind is EventKind.MUTE
    assert (event.values["on"], event.values["address"]) == ("2026-06-20", "owner@example.org")


@pytest.mark.parametrize(
    "on", ["", "soon", "2026-13-01", TODAY.isoformat(), str(TODAY + timedelta(days=MUTE_DAYS + 1)), "2020-01-01"]
)
def test_a_day_that_is_none_is_asked_for_again(folder: Folder, on: str) -> None:
    with browser(folder) as (client, path):
        answer = client.post(path, data={"what": "remind", "on": on})
        assert answer.status_code == 422
        assert "Choose a day from tomorrow on" in answer.text
    assert said(folder) == []


def test_a_link_that_is_not_ours_is_not_there(folder: Folder) -> None:
    foreign = Links("https://solar.example.org", "another key").of(MAIL).removeprefix("https://solar.example.org")
    with browser(folder) as (client, _):
        assert client.get(foreign).status_code == 404
        assert client.post(foreign, data={"what": "seen"}).status_code == 404
    assert said(folder) == []


def test_of_what_is_over_nothing_is_recorded(folder: Folder) -> None:
    gone = Mail(alert("home-2", Finding.OUTPUT_LOW), MailReason.OPENED, Role.OWNER, "owner@example.org", NOW)
    with browser(folder) as (client, _):
        path = LINKS.of(gone).removeprefix("https://solar.example.org")
        assert "This is over." in client.get(path).text
        client.post(path, data={"what": "seen"})
    assert said(folder) == []


@pytest.mark.parametrize("link", ["", 'link = "https://solar.example.org"\n'])
def test_letters_carry_links_only_where_readers_reach_the_pages(tmp_path: Path, link: str) -> None:
    folder = make_folder(tmp_path / "watcher", link)
    parts = assemble(folder.config)
    url = parts.manners.link(MAIL)
    parts.readings.close()
    parts.ledger.close()
    assert bool(re.match(r"https://solar\.example\.org/mail/\S+$", url)) is bool(link)
    message = compose(MAIL, SITE, Firm("Elm Solar", "", "solar@firm.example"), None, url)
    assert ("solar.example.org/mail/" in message.get_body(("plain",)).get_content()) is bool(link)  # type: ignore[union-attr]
