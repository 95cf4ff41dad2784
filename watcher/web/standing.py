"""How a home stands, for the first sentence of its page: what is wrong, all well, or why that cannot be told yet.

Rule: silence and darkness are not "well". What a home hears of is what the table of policies says it hears of.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from watcher.alert.policy import POLICY, policies
from watcher.alert.telling import is_question, told_from
from watcher.alert.wording_pages import HomeState
from watcher.domain.alert import Alert, AlertClass, AlertState, Severity
from watcher.domain.day import SettledDay
from watcher.domain.event import Event
from watcher.domain.instant import HOUR_MS, MINUTE_MS, local_day, local_day_of
from watcher.domain.site import Contact, Role, Site
from watcher.sun_height import sun_height_deg
from watcher.web.figures import made_wh

NOT_HEARD_MS = 30 * HOUR_MS
"""After so long without a word from any device nothing can be said; a night is shorter."""

LOOKED_AT_DAYS, FEWEST_DAYS = 14, 2
"""So many of the last days must have had sun enough to say that all is well."""

ENOUGH_SUN = 0.1
"""Of a good summer day (6 kWh of each kW): under it healthy plants differ too much, as in expect/band.py."""

GOOD_DAY_HOURS = 6.0

LOW_SUN_DEG = 15.0
"""Height of the noon sun from which most days give that much, at the tilts of roofs (common practice, no source)."""

NEW_DAYS = 7

_ORDER = {Severity.URGENT: 0, Severity.SOON: 1, Severity.PLANNED: 2}


@dataclass(frozen=True, slots=True)
class HomeStanding:
    """alerts: open ones that the reader hears of, the gravest first. until: when more can be told"""

    state: HomeState
    alerts: tuple[Alert, ...] = ()
    until: date | None = None
    heard_ms: int | None = None


def standing(
    site: Site,
    alerts: Iterable[Alert],
    days: Sequence[SettledDay],
    heard_ms: int | None,
    role: Role,
    now_ms: int,
    events: Sequence[Event] = (),
) -> HomeStanding:
    """How a home stands to someone of a role. heard_ms: when any of its devices was last heard"""
    concerning = sorted((one for one in alerts if concerns(one, role)), key=gravity)
    told = tuple(one for one in concerning if is_told(one, role, site, events, now_ms))
    if told:
        safety = POLICY[told[0].finding].alert_class is AlertClass.SAFETY
        return HomeStanding(HomeState.DANGER if safety else HomeState.WRONG, told)
    if concerning:
        return HomeStanding(HomeState.LOOKED_INTO)
    if heard_ms is None or now_ms - heard_ms > NOT_HEARD_MS:
        return HomeStanding(HomeState.NOT_HEARD, heard_ms=heard_ms)
    today = local_day_of(now_ms, site.zone)
    lately = [day for day in days if today - timedelta(days=LOOKED_AT_DAYS) <= day.day < today]
    if sum(_sunny(day, site) for day in lately) >= FEWEST_DAYS:
        return HomeStanding(HomeState.WELL)
    if len(days) < NEW_DAYS:
        return HomeStanding(HomeState.JUST_BEGUN, until=today + timedelta(days=NEW_DAYS - len(days)))
    return HomeStanding(HomeState.TOO_DARK, until=sun_is_back(site, today))


def read_as(role: Role) -> Role:
    """The trade reads a home's page as its owner does."""
    return Role.OWNER if role in (Role.INSTALLER, Role.OPERATOR) else role


def concerns(alert: Alert, role: Role) -> bool:
    """Whether an open alert is for someone of this role, sooner or later."""
    policy = POLICY[alert.finding]
    return alert.state is AlertState.OPEN and read_as(role) in policy.audience and not is_question(alert, policy)


def is_told(alert: Alert, role: Role, site: Site, events: Sequence[Event], now_ms: int) -> bool:
    """Whether they hear of it by now: where the firm hears first, the page is no sooner than the letter."""
    policy = policies(site.policy)[alert.finding]
    return told_from(alert, Contact(read_as(role), ""), site, policy, events) <= now_ms


def gravity(alert: Alert) -> tuple[bool, int, int, str]:
    """The gravest first, then the oldest."""
    policy = POLICY[alert.finding]
    return policy.alert_class is not AlertClass.SAFETY, _ORDER[policy.severity], alert.onset_ms, alert.id


def sun_is_back(site: Site, today: date) -> date:
    """About when the noon sun stands high enough; a week from now where it does already."""
    for ahead in range(200):
        day = today + timedelta(days=ahead)
        if noon_height_deg(site, day) >= LOW_SUN_DEG:
            return day + timedelta(days=NEW_DAYS) if ahead == 0 else day
    return today + timedelta(days=NEW_DAYS)


def noon_height_deg(site: Site, day: date) -> float:
    """The sun's greatest height on a civil day. [degrees]"""
    start_ms = local_day(day, site.zone)[0]
    return max(
        sun_height_deg(site.latitude_deg, site.longitude_deg, start_ms + minutes * MINUTE_MS)
        for minutes in range(9 * 60, 16 * 60, 20)
    )


def _sunny(day: SettledDay, site: Site) -> bool:
    peak_w = sum(array.peak_power_w for array in site.arrays)
    enough_wh = ENOUGH_SUN * GOOD_DAY_HOURS * peak_w
    return made_wh(day) is not None and day.expected_wh is not None and day.expected_wh >= enough_wh
