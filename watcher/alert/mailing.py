"""Which mails a change of an alert causes, and to whom. Decides only; words and sending are elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

from watcher.alert.lifecycle import Change
from watcher.alert.policy import Policy
from watcher.alert.policy_row import TRADE
from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.instant import ceil_grid, local_day_of, to_ms
from watcher.domain.site import Contact, Role, Site

REMIND_AT = time(9)  # local: a reminder is read, not heard


def recipients(site: Site, policy: Policy) -> tuple[Contact, ...]:
    """The contacts whose role is in the finding's audience, each address once; no payee named: the owner is."""
    roles = {contact.role for contact in site.contacts}
    audience = set(policy.audience)
    if Role.PAYEE in audience and Role.PAYEE not in roles:
        audience.add(Role.OWNER)
    chosen: dict[str, Contact] = {}
    for contact in site.contacts:
        if contact.role in audience:
            chosen.setdefault(contact.email.casefold(), contact)
    return tuple(chosen.values())


def is_question(alert: Alert, policy: Policy) -> bool:
    """Whether what it says is only asked, of the trade, once."""
    return any(cause in policy.questions for cause in alert.causes)


def told(alert: Alert, site: Site, policy: Policy) -> tuple[Contact, ...]:
    """Who hears of an alert as it is now."""
    return recipients(site, replace(policy, audience=TRADE) if is_question(alert, policy) else policy)


def mails_of(change: Change, site: Site, policy: Policy) -> Iterator[Mail]:
    """Opening and clearing mails. A suspicion says nothing; only who heard of a fault hears of its end.

    Of one that another alert takes over nobody is told that it is over: it is not, and the other alert's mail says so.
    """
    if change.alert is None or change.before is change.alert.state or change.alert.closed_as is ClosedAs.REPLACED:
        return
    reason = {AlertState.OPEN: MailReason.OPENED, AlertState.CLEARED: MailReason.CLEARED}.get(change.alert.state)
    if reason is not None and (policy.tells_end or reason is not MailReason.CLEARED):
        for contact in told(change.alert, site, policy):
            yield Mail(change.alert, reason, contact.role, contact.email, change.point_ms)


def reminder_points(alert: Alert, site: Site, policy: Policy, until_ms: int) -> Iterator[int]:
    """Grid points up to until_ms at which a reminder of an open alert is due: set days after opening, then weekly."""
    if alert.state is not AlertState.OPEN or alert.opened_ms is None or not policy.remind_days:
        return
    if is_question(alert, policy):
        return
    opened_on = local_day_of(alert.opened_ms, site.zone)
    days = iter(policy.remind_days)
    count = next(days)
    while True:
        at = datetime.combine(opened_on + timedelta(days=count), REMIND_AT, tzinfo=site.zone)
        point = ceil_grid(to_ms(at.astimezone(UTC)))
        if point > until_ms:
            return
        yield point
        count = next(days, count + 7)


def reminders(alert: Alert, site: Site, policy: Policy, point_ms: int) -> Iterator[Mail]:
    """The reminder mails due exactly at a grid point for an alert as it is then."""
    if point_ms in reminder_points(alert, site, policy, point_ms):
        for contact in told(alert, site, policy):
            yield Mail(alert, MailReason.REMINDER, contact.role, contact.email, point_ms)
