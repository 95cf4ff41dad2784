"""The outbox: mails that were decided and are not yet out.

Rule: a mail is marked sent after it was accepted, so a crash between sends it twice with the same Message-ID and
never loses it. Nothing is given up; tries grow rarer. A server that is down, or refuses the login, is asked once a
round and then left alone; an address that fails holds back only its own later mails, so each reader gets his in order.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Protocol

from watcher.domain.alert import Mail
from watcher.domain.errors import Remedy, StoreError
from watcher.domain.firm import Firm
from watcher.domain.instant import HOUR_MS, MINUTE_MS
from watcher.domain.site import Site
from watcher.notify.mail_error import Concerns, MailError
from watcher.notify.message import compose

_log = logging.getLogger(__name__)

_ROUND = 100
"""Mails looked at in one round."""

_RETRY_MS = tuple(minutes * MINUTE_MS for minutes in (1, 2, 5, 15, 30, 60, 120, 240))
_FIX_SETUP_MS = (2 * HOUR_MS, 6 * HOUR_MS, 8 * HOUR_MS)
"""A refused login is tried four times in the first day and then three times a day: more gets a sender banned."""


class Waiting(Protocol):
    """One row of the outbox."""

    @property
    def id(self) -> str: ...
    @property
    def mail(self) -> Mail: ...
    @property
    def attempts(self) -> int:
        """Tries that failed."""
        ...


class Ledger(Protocol):
    """What the outbox needs of the ledger."""

    def due_mails(self, now_ms: int, limit: int) -> Sequence[Waiting]:
        """Unsent mails whose next try has come, oldest first."""
        ...

    def mark_sent(self, id: str, now_ms: int) -> None: ...

    def mark_failed(self, id: str, next_try_ms: int, text: str) -> None: ...


class Sender(Protocol):
    """Somewhere a message goes."""

    def send(self, message: EmailMessage) -> None:
        """Returns once accepted; MailError otherwise."""
        ...


@dataclass(slots=True)
class Pauses:
    """What earlier rounds learnt, kept by the caller from round to round; losing it costs one extra try.

    server_until_ms: the server is left alone until then
    address_until_ms: an address is left alone until then
    failing: what the log already calls failing, and why: an address, or one of the senders by its place
    unmarked: mails that went out and could not be marked: a full or locked ledger must not send them every minute
    """

    server_until_ms: int = 0
    address_until_ms: dict[str, int] = field(default_factory=dict)
    failing: dict[str, Remedy] = field(default_factory=dict)
    unmarked: set[str] = field(default_factory=set)


def next_try_ms(attempts: int, remedy: Remedy, now_ms: int) -> int:
    """When to try again a mail that had failed `attempts` times before and has just failed again."""
    steps = _RETRY_MS if remedy is Remedy.RETRY else _FIX_SETUP_MS
    return now_ms + steps[min(attempts, len(steps) - 1)]


async def deliver_due(
    ledger: Ledger,
    senders: Sequence[Sender],
    now_ms: int,
    context: Callable[[str], tuple[Site, Firm]],
    pauses: Pauses | None = None,
) -> int:
    """One round: send what is due, in order. Returns how many mails went out.

    senders: the last one carries the mail; those before it keep copies, whose failure is logged and holds nothing up
    context: site and firm by site id
    """
    pauses = pauses if pauses is not None else Pauses()
    if now_ms < pauses.server_until_ms:
        return 0
    sent = 0
    # The ledger is asked in a thread: one that is locked elsewhere must not keep the readings waiting.
    for row in await asyncio.to_thread(ledger.due_mails, now_ms, _ROUND):
        if row.id in pauses.unmarked:
            await _mark_sent(ledger, row.id, now_ms, pauses)
            continue
        address = row.mail.address
        held_until_ms = pauses.address_until_ms.get(address, 0)
        if now_ms < held_until_ms:
            # Moved off the list of due mails, which a dead address would otherwise fill.
            words = f"waits: an earlier mail to {address} did not go"
            await asyncio.to_thread(ledger.mark_failed, row.id, held_until_ms, words)
            continue
        failure = await _try(row.mail, senders, context, pauses)
        if failure is None:
            await _mark_sent(ledger, row.id, now_ms, pauses)
            pauses.address_until_ms.pop(address, None)
            _note(pauses, address, None)
            sent += 1
            continue
        again_ms = next_try_ms(row.attempts, failure.remedy, now_ms)
        await asyncio.to_thread(ledger.mark_failed, row.id, again_ms, failure.text)
        if failure.concerns is Concerns.SERVER:
            pauses.server_until_ms = again_ms
            break
        _note(pauses, address, failure)
        if failure.remedy is not Remedy.REPORT_BUG:
            pauses.address_until_ms[address] = again_ms
    return sent


async def _mark_sent(ledger: Ledger, id: str, now_ms: int, pauses: Pauses) -> None:
    try:
        await asyncio.to_thread(ledger.mark_sent, id, now_ms)
    except StoreError as error:
        if id not in pauses.unmarked:
            pauses.unmarked.add(id)
            _log.warning("mail-unmarked: %s went out: %s", id, error)
    else:
        pauses.unmarked.discard(id)


async def _try(
    mail: Mail, senders: Sequence[Sender], context: Callable[[str], tuple[Site, Firm]], pauses: Pauses
) -> MailError | None:
    """Why the mail did not go, or None where it went."""
    try:
        site, firm = context(mail.alert.site)
        message = compose(mail, site, firm)
        for place, sender in enumerate(senders):
            failure = await _hand_over(message, sender)
            if failure is None or failure.concerns is Concerns.SERVER:
                _note(pauses, f"sender {place + 1}", failure)
            if failure is not None and sender is senders[-1]:
                return failure
    except Exception as error:  # noqa: BLE001 - one mail that cannot be written must not silence the others
        return MailError(Remedy.REPORT_BUG, f"the mail could not be written: {error!r}", Concerns.ADDRESS)
    return None


async def _hand_over(message: EmailMessage, sender: Sender) -> MailError | None:
    try:
        await asyncio.to_thread(sender.send, message)
    except MailError as error:
        return error
    return None


def _note(pauses: Pauses, what: str, failure: MailError | None) -> None:
    """One line in the log when something begins to fail or fails for another reason, one when it works again."""
    before = pauses.failing.get(what)
    if failure is None:
        if pauses.failing.pop(what, None) is not None:
            _log.info("mail-working: %s", what)
    elif failure.remedy is not before:
        pauses.failing[what] = failure.remedy
        _log.warning("mail-failing: %s: %s (%s)", what, failure.text, failure.remedy)
