"""The outbox: mails that were decided and are not yet out.

Rule: a mail is marked sent after it was accepted, so a crash between sends it twice with the same Message-ID and
never loses it. Nothing is given up; tries grow rarer. A server that is down, or refuses the login, is asked once a
round and then left alone; an address that fails holds back only its own later mails, so each reader gets his in order.
What goes together, and what waits for its like, is bundle.py's; no more go out in an hour than people can bear.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Protocol

from watcher.domain.alert import Alert, Mail
from watcher.domain.errors import Remedy, StoreError
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import HOUR_MS, MINUTE_MS
from watcher.domain.site import Site
from watcher.notify.bundle import Region, is_safety, plan
from watcher.notify.mail_error import Concerns, MailError
from watcher.notify.message import compose, compose_digest

_log = logging.getLogger(__name__)

_ROUND = 1000
"""Mails looked at in one round; how many go out in it Manners says."""

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
    went_ms: when messages went out, of the last hour; those about safety are not counted
    busy, shared: what the operator has been told already and is still so
    """

    server_until_ms: int = 0
    address_until_ms: dict[str, int] = field(default_factory=dict)
    failing: dict[str, Remedy] = field(default_factory=dict)
    unmarked: set[str] = field(default_factory=set)
    went_ms: list[int] = field(default_factory=list)
    busy: bool = False
    shared: set[tuple[str, Finding]] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Manners:
    """How mails go out.

    most_an_hour: messages, those about safety not counted. sites: ids of all that are watched
    standing: a site's alerts as they are now
    link: where a reader can say that he has seen it; "" for nowhere
    busy: what the operator reads where that number is reached and so many wait. shared: of a region's common fault
    """

    most_an_hour: int = 60
    sites: Sequence[str] = ()
    standing: Callable[[str], Sequence[Alert]] | None = None
    link: Callable[[Mail], str] = lambda mail: ""
    busy: Callable[[int, int], EmailMessage] | None = None
    shared: Callable[[Region, int], EmailMessage] | None = None


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
    manners: Manners | None = None,
) -> int:
    """One round: send what is due, in order. Returns how many messages went out.

    senders: the last one carries the mail; those before it keep copies, whose failure is logged and holds nothing up
    context: site and firm by site id
    """
    pauses = pauses if pauses is not None else Pauses()
    manners = manners if manners is not None else Manners()
    if now_ms < pauses.server_until_ms:
        return 0
    # The ledger is asked in a thread: one that is locked elsewhere must not keep the readings waiting.
    rows = []
    for row in await asyncio.to_thread(ledger.due_mails, now_ms, _ROUND):
        if row.id in pauses.unmarked:
            await _mark_sent(ledger, row.id, now_ms, pauses)
        else:
            rows.append(row)
    planned = plan(rows, now_ms, _regions(context), lambda name: _sites_in(name, manners.sites, context))
    for row in planned.over:
        _log.info("mail-not-needed: %s", row.id)
        await _mark_sent(ledger, row.id, now_ms, pauses)
    await _tell_shared(planned.shared, senders[-1], now_ms, pauses, manners)
    pauses.went_ms = [at_ms for at_ms in pauses.went_ms if now_ms - at_ms < HOUR_MS]
    sent, kept = 0, 0
    for bundle in planned.together:
        first = bundle[0].mail
        held_until_ms = pauses.address_until_ms.get(first.address, 0)
        if now_ms < held_until_ms:
            # Moved off the list of due mails, which a dead address would otherwise fill.
            words = f"waits: an earlier mail to {first.address} did not go"
            for row in bundle:
                await asyncio.to_thread(ledger.mark_failed, row.id, held_until_ms, words)
            continue
        if len(pauses.went_ms) >= manners.most_an_hour and not is_safety(first):
            kept += len(bundle)
            continue
        failure = await _try([row.mail for row in bundle], senders, context, pauses, manners)
        if failure is None:
            for row in bundle:
                await _mark_sent(ledger, row.id, now_ms, pauses)
            pauses.address_until_ms.pop(first.address, None)
            _note(pauses, first.address, None)
            pauses.went_ms += [] if is_safety(first) else [now_ms]
            sent += 1
            continue
        again_ms = next_try_ms(max(row.attempts for row in bundle), failure.remedy, now_ms)
        for row in bundle:
            await asyncio.to_thread(ledger.mark_failed, row.id, again_ms, failure.text)
        if failure.concerns is Concerns.SERVER:
            pauses.server_until_ms = again_ms
            break
        _note(pauses, first.address, failure)
        if failure.remedy is not Remedy.REPORT_BUG:
            pauses.address_until_ms[first.address] = again_ms
    await _tell_busy(kept, senders[-1], now_ms, pauses, manners)
    return sent


def _regions(context: Callable[[str], tuple[Site, Firm]]) -> Callable[[str], str]:
    def region_of(site: str) -> str:
        try:
            return context(site)[0].region
        except Exception:  # noqa: BLE001 - a site that is gone must not silence the others; its own mail says why
            return ""

    return region_of


def _sites_in(region: str, sites: Sequence[str], context: Callable[[str], tuple[Site, Firm]]) -> int:
    return sum(_regions(context)(site) == region for site in sites)


async def _tell_shared(shared: Sequence[Region], sender: Sender, now_ms: int, pauses: Pauses, manners: Manners) -> None:
    """The operator hears once of each region, as long as it is so."""
    pauses.shared &= {(one.name, one.finding) for one in shared}
    for one in shared:
        if (one.name, one.finding) in pauses.shared or manners.shared is None:
            continue
        if await _hand_over(manners.shared(one, now_ms), sender) is None:
            pauses.shared.add((one.name, one.finding))


async def _tell_busy(kept: int, sender: Sender, now_ms: int, pauses: Pauses, manners: Manners) -> None:
    """The operator hears once that an hour's mails have reached their number, as long as any wait because of it."""
    if not kept:
        pauses.busy = False
    elif not pauses.busy:
        _log.warning("mail-cap: %d an hour, %d wait", manners.most_an_hour, kept)
        if manners.busy is None or await _hand_over(manners.busy(kept, now_ms), sender) is None:
            pauses.busy = True


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
    mails: Sequence[Mail],
    senders: Sequence[Sender],
    context: Callable[[str], tuple[Site, Firm]],
    pauses: Pauses,
    manners: Manners,
) -> MailError | None:
    """Why the message of these mails did not go, or None where it went."""
    try:
        site, firm = context(mails[0].alert.site)
        if len(mails) > 1:
            message = compose_digest([(mail, context(mail.alert.site)[0]) for mail in mails], firm)
        else:
            standing = None if manners.standing is None else await asyncio.to_thread(manners.standing, site.id)
            message = compose(mails[0], site, firm, standing, manners.link(mails[0]))
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
