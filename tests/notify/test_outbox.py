"""The outbox: nothing lost, nothing out of order, nobody pestered."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from email.message import EmailMessage
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from watcher.domain.alert import Alert, AlertState, Mail, MailReason
from watcher.domain.errors import Remedy
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.site import Role, Site
from watcher.notify.folder import FolderSink
from watcher.notify.mail_error import Concerns, MailError
from watcher.notify.outbox import Pauses, Sender, deliver_due, next_try_ms

START_MS = parse_iso("2026-06-09T10:00:00Z")
SITE = Site("home-1", "12 Elm Road", 53.5, -2.2, 50.0, ZoneInfo("Europe/London"))
FIRM = Firm("Elm Solar", "01632 960123", "solar@firm.example")

DOWN = MailError(Remedy.RETRY, "connection refused", Concerns.SERVER)
LOGIN = MailError(Remedy.FIX_SETUP, "login refused: 535", Concerns.SERVER)
NO_SUCH_USER = MailError(Remedy.FIX_SETUP, "address refused: 550", Concerns.ADDRESS)


def mail_of(number: int, address: str = "jean@home.example", site: str = "home-1") -> Mail:
    at_ms = START_MS + number * MINUTE_MS
    alert = Alert(site, Finding.NO_GENERATION, "inverter-1", AlertState.OPEN, *[at_ms] * 4)
    return Mail(alert, MailReason.OPENED, Role.OWNER, address, at_ms)


def context(site: str) -> tuple[Site, Firm]:
    return {"home-1": (SITE, FIRM)}[site]


@dataclass
class Row:
    mail: Mail
    attempts: int = 0
    next_try_ms: int = 0
    sent_ms: int | None = None
    text: str = ""

    @property
    def id(self) -> str:
        return self.mail.id


@dataclass
class Table:
    """An outbox in memory that keeps the ledger's promises."""

    rows: dict[str, Row] = field(default_factory=dict)

    def put(self, *mails: Mail) -> None:
        for mail in mails:
            self.rows.setdefault(mail.id, Row(mail))

    def due_mails(self, now_ms: int, limit: int) -> Sequence[Row]:
        due = [row for row in self.rows.values() if row.sent_ms is None and row.next_try_ms <= now_ms]
        return [replace(row) for row in due[:limit]]

    def mark_sent(self, id: str, now_ms: int) -> None:
        self.rows[id].sent_ms = now_ms

    def mark_failed(self, id: str, next_try_ms: int, text: str) -> None:
        row = self.rows[id]
        row.attempts, row.next_try_ms, row.text = row.attempts + 1, next_try_ms, text

    def waiting(self) -> list[Row]:
        return [row for row in self.rows.values() if row.sent_ms is None]


class Post:
    """A mail server reduced to its answers: `refusal` for everybody, or for single addresses."""

    def __init__(self) -> None:
        self.refusal: MailError | None = None
        self.addresses: dict[str, MailError] = {}
        self.asked = 0
        self.accepted: list[EmailMessage] = []

    def send(self, message: EmailMessage) -> None:
        self.asked += 1
        refusal = self.refusal or self.addresses.get(message["To"])
        if refusal is not None:
            raise refusal
        self.accepted.append(message)


def turn(table: Table, now_ms: int, *senders: Sender, pauses: Pauses | None = None) -> int:
    return asyncio.run(deliver_due(table, senders, now_ms, context, pauses))


def test_what_is_due_goes_out_in_order_once() -> None:
    table, post = Table(), Post()
    mails = [mail_of(number) for number in range(3)]
    table.put(*mails)
    assert turn(table, START_MS, post) == 3
    assert turn(table, START_MS + MINUTE_MS, post) == 0
    assert [message["Date"].datetime.minute for message in post.accepted] == [0, 1, 2]
    assert table.waiting() == []


def test_a_mail_sent_but_not_marked_before_a_crash_goes_again_with_the_same_message_id() -> None:
    class CrashesBeforeMarking(Table):
        def mark_sent(self, id: str, now_ms: int) -> None:
            raise KeyboardInterrupt

    post, table = Post(), Table()
    crashing = CrashesBeforeMarking(table.rows)
    table.put(mail_of(0))
    with pytest.raises(KeyboardInterrupt):
        turn(crashing, START_MS, post)
    assert turn(table, START_MS + MINUTE_MS, post) == 1
    first, second = post.accepted
    assert first["Message-ID"] == second["Message-ID"]
    assert first.as_bytes() == second.as_bytes()


def test_a_server_that_is_down_is_asked_once_a_round_and_then_left_alone() -> None:
    table, post, pauses = Table(), Post(), Pauses()
    table.put(*[mail_of(number, f"{number}@home.example") for number in range(5)])
    post.refusal = DOWN
    assert turn(table, START_MS, post, pauses=pauses) == 0
    assert post.asked == 1
    assert turn(table, START_MS + 1, post, pauses=pauses) == 0
    assert post.asked == 1
    post.refusal = None
    assert turn(table, START_MS + MINUTE_MS, post, pauses=pauses) == 5
    assert [message["To"][0] for message in post.accepted] == list("01234")


def test_an_address_that_fails_does_not_hold_up_the_others() -> None:
    table, post, pauses = Table(), Post(), Pauses()
    table.put(mail_of(0, "dead@home.example"), mail_of(1), mail_of(2, "dead@home.example"), mail_of(3))
    post.addresses["dead@home.example"] = NO_SUCH_USER
    assert turn(table, START_MS, post, pauses=pauses) == 2
    assert post.asked == 3
    assert [row.text for row in table.waiting()] == [
        "address refused: 550",
        "waits: an earlier mail to dead@home.example did not go",
    ]


def test_a_reader_gets_his_mails_in_order_though_the_first_failed() -> None:
    table, post, pauses = Table(), Post(), Pauses()
    table.put(mail_of(0))
    post.addresses["jean@home.example"] = NO_SUCH_USER
    turn(table, START_MS, post, pauses=pauses)
    table.put(mail_of(1))
    post.addresses.clear()
    assert turn(table, START_MS + HOUR_MS, post, pauses=pauses) == 0
    assert turn(table, START_MS + 2 * HOUR_MS, post, pauses=pauses) == 2
    assert [message["Date"].datetime.minute for message in post.accepted] == [0, 1]


def test_a_dead_address_with_many_mails_does_not_starve_the_others() -> None:
    table, post, pauses = Table(), Post(), Pauses()
    table.put(*[mail_of(number, "dead@home.example") for number in range(250)], mail_of(300))
    post.addresses["dead@home.example"] = NO_SUCH_USER
    for minute in range(4):
        turn(table, START_MS + minute * MINUTE_MS, post, pauses=pauses)
    assert [message["To"] for message in post.accepted] == ["jean@home.example"]


def test_a_mail_that_cannot_be_written_is_kept_and_the_next_one_goes() -> None:
    table, post = Table(), Post()
    table.put(mail_of(0, site="home-that-was-closed"), mail_of(1))
    assert turn(table, START_MS, post) == 1
    (row,) = table.waiting()
    assert "could not be written: KeyError('home-that-was-closed')" in row.text
    assert row.next_try_ms > START_MS


def test_a_copy_in_a_folder_is_kept_beside_the_mail_and_holds_nothing_up(tmp_path: Path) -> None:
    table, post = Table(), Post()
    table.put(mail_of(0))
    post.refusal = DOWN
    assert turn(table, START_MS, FolderSink(tmp_path / "mail"), post) == 0
    post.refusal = None
    assert turn(table, START_MS + HOUR_MS, FolderSink(tmp_path / "mail"), post) == 1
    assert len(list((tmp_path / "mail").glob("*.eml"))) == 1

    (tmp_path / "blocked").write_text("")
    table.put(mail_of(1))
    assert turn(table, START_MS + HOUR_MS, FolderSink(tmp_path / "blocked"), post) == 1
    assert len(post.accepted) == 2


def test_the_log_has_one_line_when_it_fails_and_one_when_it_works_again(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "watcher.notify.outbox")
    table, post, pauses = Table(), Post(), Pauses()
    table.put(mail_of(0))
    post.refusal = DOWN
    for hour in range(5):
        turn(table, START_MS + hour * HOUR_MS, post, pauses=pauses)
    post.refusal = None
    turn(table, START_MS + DAY_MS, post, pauses=pauses)
    assert [record.getMessage() for record in caplog.records] == [
        "mail-failing: sender 1: connection refused (retry)",
        "mail-working: sender 1",
    ]


@pytest.mark.parametrize("remedy", Remedy)
def test_tries_grow_rarer_from_minutes_to_hours_and_never_stop(remedy: Remedy) -> None:
    waits = [next_try_ms(attempts, remedy, 0) for attempts in range(40)]
    assert all(before <= after for before, after in pairwise(waits))
    assert waits[0] == (MINUTE_MS if remedy is Remedy.RETRY else 2 * HOUR_MS)
    assert waits[-1] == (4 * HOUR_MS if remedy is Remedy.RETRY else 8 * HOUR_MS)


def test_case_h1_a_login_refused_for_days_is_tried_a_few_times_a_day_and_loses_nothing() -> None:
    """Day 1 accepted; days 2 and 3 the login is refused; day 4 time-outs; day 5 421; day 6 accepted again."""
    table, post, pauses = Table(), Post(), Pauses()
    days: list[MailError | None] = [
        None,
        LOGIN,
        LOGIN,
        MailError(Remedy.RETRY, "no answer within 30 s"),
        MailError(Remedy.RETRY, "not now: 421 try later"),
        None,
    ]
    asked = []
    for day, refusal in enumerate(days):
        post.refusal = refusal
        before = post.asked
        for minute in range(0, 1440, 5):
            now_ms = START_MS + day * DAY_MS + minute * MINUTE_MS
            if minute == 600:
                table.put(mail_of(day * 1440 + minute))
            turn(table, now_ms, post, pauses=pauses)
        asked.append(post.asked - before)
    assert table.waiting() == []
    sent = [message["Date"].datetime for message in post.accepted]
    assert sent == sorted(sent)
    assert len(sent) == 3, "before, what had waited as one letter, after"
    assert "late news" in post.accepted[1]["Subject"]
    assert all(1 <= times <= 5 for times in asked[1:3])
    assert all(times <= 12 for times in asked[3:5])
