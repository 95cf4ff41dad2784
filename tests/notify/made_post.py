"""A mail server that can be broken, a ledger, and the outbox between them, in time that is stepped."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope

from tests.notify.test_smtp import free_port
from watcher.config import Security
from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.evaluation import Evaluation
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS
from watcher.domain.site import Contact, Role, Site
from watcher.notify.notice import many_mails_notice, shared_fault_notice
from watcher.notify.outbox import Manners, Pauses, deliver_due
from watcher.notify.smtp import SmtpSender
from watcher.store.ledger import Ledger

FIRM = Firm("Elm Solar", "01632 960123", "solar@firm.example")
OPERATOR = "operator@firm.example"


@dataclass
class BrokenPost:
    """An SMTP server that asks for a login.

    fault: "535" (it takes no login), "421" (it takes no message now), "silence" (it does not answer), or "".
    asked: how often a login was tried
    """

    fault: str = ""
    sessions: list[Any] = field(default_factory=list)
    got: list[EmailMessage] = field(default_factory=list)

    @property
    def asked(self) -> int:
        return len(self.sessions)

    def log_in(self, _server: Any, session: Any, _envelope: Any, _mechanism: str, _given: Any) -> AuthResult:
        if session not in self.sessions:  # one login tries several ways
            self.sessions.append(session)
        return AuthResult(success=self.fault != "535", handled=False)

    async def handle_MAIL(self, _server: Any, _session: Any, envelope: Envelope, address: str, options: Any) -> str:  # noqa: N802
        if self.fault == "silence":
            await asyncio.sleep(0.6)  # longer than the sender waits
            return "451 too late"
        if self.fault == "421":
            return "421 try later"
        envelope.mail_from = address
        return "250 OK"

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Envelope) -> str:  # noqa: N802
        content = envelope.original_content
        assert content is not None
        message = message_from_bytes(content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        self.got.append(message)
        return "250 OK"

    def subjects(self) -> list[str]:
        return [str(message["Subject"]).strip() for message in self.got]

    def text(self, at: int) -> str:
        body = self.got[at].get_body(("plain",))
        assert body is not None
        return " ".join(str(body.get_content()).split())


@dataclass
class Office:
    """The outbox of a ledger, emptied into a server."""

    ledger: Ledger
    post: BrokenPost
    port: int
    sites: Mapping[str, Site]
    manners: Manners
    pauses: Pauses = field(default_factory=Pauses)

    def turn(self, now_ms: int) -> int:
        limit_s = 0.3 if self.post.fault == "silence" else 10.0
        sender = SmtpSender("127.0.0.1", self.port, Security.NONE, "watcher", lambda: "correct-horse", limit_s)
        return asyncio.run(
            deliver_due(self.ledger, [sender], now_ms, lambda id: (self.sites[id], FIRM), self.pauses, self.manners)
        )

    def decide(self, mails: Sequence[Mail]) -> None:
        """Put mails into the outbox with the alerts they are of, as an evaluation does."""
        for site in dict.fromkeys(mail.alert.site for mail in mails):
            own = [mail for mail in mails if mail.alert.site == site]
            until_ms = self.ledger.evaluated_until(site)
            last_ms = max(mail.decided_ms for mail in own)
            alerts = {mail.alert.id: mail.alert for mail in own}
            last_ms = max(last_ms, 0 if until_ms is None else until_ms + GRID_MS)
            done = Evaluation(site, last_ms, last_ms, alerts=tuple(alerts.values()), mails=tuple(own))
            self.ledger.commit(done, until_ms)


@contextmanager
def office(sites: Sequence[Site], folder: Path, most_an_hour: int = 60) -> Iterator[Office]:
    post, port = BrokenPost(), free_port()
    controller = Controller(post, hostname="127.0.0.1", port=port, auth_require_tls=False, authenticator=post.log_in)
    controller.start()
    try:
        with Ledger(f"sqlite:///{folder / 'ledger.db'}") as ledger:
            manners = Manners(
                most_an_hour,
                [site.id for site in sites],
                ledger.standing_alerts,
                busy=lambda waiting, now_ms: many_mails_notice(most_an_hour, waiting, FIRM.sender, OPERATOR, now_ms),
                shared=lambda region, now_ms: shared_fault_notice(region, FIRM.sender, OPERATOR, now_ms),
            )
            yield Office(ledger, post, port, {site.id: site for site in sites}, manners)
    finally:
        controller.stop()


def site_of(number: int = 1, region: str = "", contacts: Sequence[Contact] = ()) -> Site:
    here = ZoneInfo("Europe/London")
    return Site(f"home-{number}", f"{number} Elm Road", 53.5, -2.2, 50.0, here, region=region, contacts=tuple(contacts))


def alert_at(at_ms: int, finding: Finding, site: str = "home-1", subject: str = "inverter-1") -> Alert:
    return Alert(
        site, finding, subject, AlertState.OPEN, at_ms, *[at_ms - HOUR_MS] * 3, opened_ms=at_ms,
        loss_mwh=4_000_000, loss_low_mwh=3_000_000, loss_high_mwh=5_000_000,
    )  # fmt: skip


def opening(alert: Alert, address: str = "jean@home.example", role: Role = Role.OWNER) -> Mail:
    assert alert.opened_ms is not None
    return Mail(alert, MailReason.OPENED, role, address, alert.opened_ms)


def reminder(alert: Alert, at_ms: int, address: str = "jean@home.example", role: Role = Role.OWNER) -> Mail:
    return Mail(alert, MailReason.REMINDER, role, address, at_ms)


def ending(alert: Alert, at_ms: int, address: str = "jean@home.example", role: Role = Role.OWNER) -> Mail:
    over = replace(alert, state=AlertState.CLEARED, cleared_ms=at_ms, closed_as=ClosedAs.RECOVERED)
    return Mail(over, MailReason.CLEARED, role, address, at_ms)


def minutes(begin_ms: int, end_ms: int, step: int = 5) -> range:
    return range(begin_ms, end_ms, step * MINUTE_MS)
