"""Who hears of an alert, and from which grid point on: the firm first, the home after a set time or when released.

Rule: what may hurt someone is told to all at once, and a payee never waits; where no firm is told nobody waits for it.
It follows from the site file, the policy and the events alone, so a replay tells the same people at the same points. A
release or a "remind me" is an event; what is of the class safety is put off by neither.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

from watcher.alert.policy_row import HOME, TRADE, Policy
from watcher.domain.alert import Alert, AlertClass
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import GRID_MS, ceil_grid, first_point_that_sees, floor_day, local_day_of, to_ms
from watcher.domain.site import Contact, Role, Site

REMIND_AT = time(9)  # local: a reminder is read, not heard
MUTE_DAYS = 90
"""A reminder may be put off for so long at most."""


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
    """Who hears of an alert as it is now, sooner or later."""
    return recipients(site, replace(policy, audience=TRADE) if is_question(alert, policy) else policy)


def waits(contact: Contact, others: Iterable[Contact], policy: Policy) -> bool:
    """Whether a contact hears later than the firm. others: all who hear of the same"""
    others = tuple(others)
    if policy.alert_class is AlertClass.SAFETY or policy.home_after_days <= 0 or contact.role not in HOME:
        return False
    paid = contact.role is Role.OWNER and Role.PAYEE in policy.audience
    if paid and not any(other.role is Role.PAYEE for other in others):
        return False  # stands in for the payee
    return any(other.role in TRADE for other in others)


def told_from(alert: Alert, contact: Contact, site: Site, policy: Policy, events: Sequence[Event]) -> int:
    """The grid point at which a contact hears that an alert is open. events: of the site, as far as they are known.

    ValueError for an alert that never opened.
    """
    if alert.opened_ms is None:
        raise ValueError(f"{alert.id} is not open")
    if not waits(contact, told(alert, site, policy), policy):
        return alert.opened_ms
    released = [max(alert.opened_ms, first_point_that_sees(event.received_ms)) for event in releases(alert, events)]
    return min([_nine(alert.opened_ms, policy.home_after_days, site), *released])


def waiting(alert: Alert, site: Site, policy: Policy, events: Sequence[Event], at_ms: int) -> dict[Contact, int]:
    """Of an open alert: who has not been told of it at an instant, and from which grid point on they will be."""
    if alert.opened_ms is None or alert.cleared_ms is not None:
        return {}
    points = {contact: told_from(alert, contact, site, policy, events) for contact in told(alert, site, policy)}
    return {contact: point_ms for contact, point_ms in points.items() if point_ms > at_ms}


def releases(alert: Alert, events: Iterable[Event]) -> Iterator[Event]:
    return (event for event in events if event.kind is EventKind.RELEASED and event.subject == alert.id)


def line_of(alert: Alert, events: Iterable[Event]) -> str:
    """What the firm added when it released the letter; "" for nothing."""
    return next((str(event.values.get("line", "")) for event in releases(alert, events)), "")


def asked_points(alert: Alert, contact: Contact, site: Site, policy: Policy, events: Iterable[Event]) -> Iterator[int]:
    """The grid points at which a contact asked to be reminded, in the order of asking: the newest counts.

    A date that had come when it was heard of is of no account.
    """
    if policy.alert_class is AlertClass.SAFETY:
        return
    for event in events:
        if event.kind is not EventKind.MUTE or event.subject != alert.id:
            continue
        if str(event.values.get("address", "")).casefold() != contact.email.casefold():
            continue
        point_ms = nine_on(date.fromisoformat(str(event.values["on"])), site)
        if point_ms > first_point_that_sees(event.received_ms):
            yield point_ms


def nine_on(day: date, site: Site) -> int:
    """The grid point of nine o'clock at the site on a day."""
    return ceil_grid(to_ms(datetime.combine(day, REMIND_AT, tzinfo=site.zone).astimezone(UTC)))


def _nine(opened_ms: int, days: int, site: Site) -> int:
    """Nine o'clock so many days after the opening, and not on the same UTC day: spans are cut by what stood before."""
    day = local_day_of(opened_ms, site.zone) + timedelta(days=days)
    while floor_day(nine_on(day, site) - GRID_MS) <= floor_day(opened_ms - GRID_MS):
        day += timedelta(days=1)
    return nine_on(day, site)


def remind_points(alert: Alert, site: Site, policy: Policy, until_ms: int) -> Iterator[int]:
    """Grid points up to until_ms at which an alert that opened is brought up again: set days after it, then weekly."""
    if alert.opened_ms is None or not policy.remind_days or is_question(alert, policy):
        return
    days = iter(policy.remind_days)
    count = next(days)
    while (point := _nine(alert.opened_ms, count, site)) <= until_ms:
        yield point
        count = next(days, count + 7)
