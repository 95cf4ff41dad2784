"""Which mails a change of an alert causes, and to whom. Decides only; words and sending are elsewhere."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from watcher.alert.lifecycle import Change
from watcher.alert.policy import Policy
from watcher.alert.telling import asked_points, line_of, remind_points, told, told_from, waits
from watcher.alert.telling import is_question as is_question
from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.event import Event
from watcher.domain.site import Site


def mails_of(change: Change, site: Site, policy: Policy, events: Sequence[Event] = ()) -> Iterator[Mail]:
    """Opening and clearing mails. A suspicion says nothing; only who heard of a fault hears of its end.

    Of one that another alert takes over nobody is told that it is over: it is not, and the other alert's mail says so.
    """
    alert = change.alert
    if alert is None or change.before is alert.state or alert.closed_as is ClosedAs.REPLACED:
        return
    reason = {AlertState.OPEN: MailReason.OPENED, AlertState.CLEARED: MailReason.CLEARED}.get(alert.state)
    if reason is None or (reason is MailReason.CLEARED and not policy.tells_end):
        return
    for contact in told(alert, site, policy):
        from_ms = told_from(alert, contact, site, policy, events)
        # At the very point of its end nobody is told that it began.
        heard = from_ms <= change.point_ms if reason is MailReason.OPENED else _heard(alert, from_ms, change.point_ms)
        if heard:
            yield Mail(alert, reason, contact.role, contact.email, change.point_ms)


def _heard(alert: Alert, from_ms: int, point_ms: int) -> bool:
    return from_ms < point_ms or from_ms == alert.opened_ms


def reminder_points(
    alert: Alert, site: Site, policy: Policy, until_ms: int, events: Sequence[Event] = ()
) -> Iterator[int]:
    """Grid points up to until_ms at which someone may hear of an open alert again, or for the first time."""
    if alert.state is not AlertState.OPEN or alert.opened_ms is None:
        return
    points = set(remind_points(alert, site, policy, until_ms))
    for contact in told(alert, site, policy):
        points |= {told_from(alert, contact, site, policy, events)} - {alert.opened_ms}
        points |= set(asked_points(alert, contact, site, policy, events))
    yield from sorted(point_ms for point_ms in points if alert.opened_ms < point_ms <= until_ms)


def reminders(alert: Alert, site: Site, policy: Policy, point_ms: int, events: Sequence[Event] = ()) -> Iterator[Mail]:
    """The mails due exactly at a grid point for an alert as it is then: an opening to who waited, else a reminder.

    events: those visible at the point
    """
    if point_ms not in reminder_points(alert, site, policy, point_ms, events):
        return
    usual = point_ms in remind_points(alert, site, policy, point_ms)
    people = told(alert, site, policy)
    for contact in people:
        from_ms = told_from(alert, contact, site, policy, events)
        if from_ms == point_ms and waits(contact, people, policy):
            yield Mail(alert, MailReason.OPENED, contact.role, contact.email, point_ms, line_of(alert, events))
        elif from_ms < point_ms:
            asked_ms = [0, *asked_points(alert, contact, site, policy, events)][-1]
            if asked_ms == point_ms or (usual and asked_ms < point_ms):
                yield Mail(alert, MailReason.REMINDER, contact.role, contact.email, point_ms)
