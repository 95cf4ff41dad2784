"""Which waiting mails go together, which wait, and which need not go any more. Pure.

Rules: what is about safety goes alone and at once. What has waited too long goes as one letter a reader. A fault that
most sites of a region are said to have together is in none of them: the operator hears of it, and its mails wait
until they are few, or are over. News of an area is gathered into one letter. Nothing is remembered: what waits says it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Generic, Protocol, TypeVar

from watcher.alert.policy import POLICY
from watcher.domain.alert import AlertClass, Mail, MailReason
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS

LATE_MS, FEWEST = HOUR_MS, 3
"""So many mails to one reader, the oldest of them so late, go as one letter."""

BY_REFERENCE = frozenset({Finding.OUTPUT_LOW})
"""What one wrong word about the sun makes of a whole region at once."""

GATHER_MS: Mapping[Finding, int] = {Finding.OUTPUT_LOW: HOUR_MS, Finding.AREA_EVENT: 30 * MINUTE_MS}
"""So long an opening of these waits for the same from other sites, which are judged one after another."""

FEWEST_SITES = 5
HELD_MS = 3 * DAY_MS
"""After so long it is told all the same."""


class Row(Protocol):
    @property
    def id(self) -> str: ...
    @property
    def mail(self) -> Mail: ...


_R = TypeVar("_R", bound=Row)


@dataclass(frozen=True, slots=True)
class Region:
    """Sites of a region that are said to have a fault together. since_ms: when the first was"""

    name: str
    finding: Finding
    sites: tuple[str, ...]
    of: int
    since_ms: int


@dataclass(frozen=True, slots=True)
class Plan(Generic[_R]):
    """together: rows of one message each. over: rows that need not go any more. shared: what the operator must hear"""

    together: tuple[tuple[_R, ...], ...] = ()
    over: tuple[_R, ...] = ()
    shared: tuple[Region, ...] = ()


def is_safety(mail: Mail) -> bool:
    return POLICY[mail.alert.finding].alert_class is AlertClass.SAFETY


def plan(rows: Sequence[_R], now_ms: int, region_of: Callable[[str], str], sites_in: Callable[[str], int]) -> Plan[_R]:
    """What becomes of waiting rows, in the order of decision.

    region_of: a site's region, "" for none. sites_in: how many sites of a region are watched
    """
    counted = cache(sites_in)
    shared = _shared(rows, now_ms, region_of, counted)
    suspected = {(one.finding, site) for one in shared for site in one.sites}
    closed = {row.mail.alert.id for row in rows if row.mail.reason is MailReason.CLEARED}
    opening = {row.mail.alert.id for row in rows if row.mail.reason is MailReason.OPENED}
    going: list[_R] = []
    over: list[_R] = []
    for row in rows:
        alert = row.mail.alert
        if (alert.finding, alert.site) in suspected and alert.id in opening:
            if alert.id in closed:
                over.append(row)
        elif not _gathered(row.mail, now_ms, region_of, counted):
            going.append(row)
    return Plan(tuple(_together(going, now_ms)), tuple(over), shared)


def _gathered(mail: Mail, now_ms: int, region_of: Callable[[str], str], sites_in: Callable[[str], int]) -> bool:
    """Whether it still waits for its like, where there may be any."""
    wait_ms = GATHER_MS.get(mail.alert.finding)
    if wait_ms is None or mail.reason is not MailReason.OPENED or now_ms - mail.decided_ms >= wait_ms:
        return False
    region = region_of(mail.alert.site)
    return mail.alert.finding not in BY_REFERENCE or (region != "" and sites_in(region) >= FEWEST_SITES)


def _shared(
    rows: Sequence[Row], now_ms: int, region_of: Callable[[str], str], sites_in: Callable[[str], int]
) -> tuple[Region, ...]:
    openings = [
        row.mail
        for row in rows
        if row.mail.reason is MailReason.OPENED
        and row.mail.alert.finding in BY_REFERENCE
        and now_ms - row.mail.decided_ms < HELD_MS
    ]
    if len({mail.alert.site for mail in openings}) < FEWEST_SITES:
        return ()
    found: dict[tuple[Finding, str], list[Mail]] = defaultdict(list)
    for mail in openings:
        if region := region_of(mail.alert.site):
            found[mail.alert.finding, region].append(mail)
    shared = []
    for (finding, region), mails in found.items():
        sites, of = sorted({mail.alert.site for mail in mails}), sites_in(region)
        if len(sites) >= FEWEST_SITES and 2 * len(sites) > of:
            shared.append(Region(region, finding, tuple(sites), of, min(mail.decided_ms for mail in mails)))
    return tuple(shared)


def _together(rows: Sequence[_R], now_ms: int) -> list[tuple[_R, ...]]:
    by_reader: dict[str, list[_R]] = defaultdict(list)
    areas: dict[str, list[_R]] = defaultdict(list)
    for row in rows:
        if row.mail.alert.finding is Finding.AREA_EVENT:
            areas[row.mail.address.casefold()].append(row)
        elif not is_safety(row.mail):
            by_reader[row.mail.address.casefold()].append(row)
    bundles = {id(row): tuple(found) for found in areas.values() for row in found}
    for found in by_reader.values():
        if len(found) >= FEWEST and now_ms - min(row.mail.decided_ms for row in found) >= LATE_MS:
            bundles |= {id(row): tuple(found) for row in found}
    told: dict[tuple[str, ...], tuple[_R, ...]] = {}
    for row in rows:
        bundle = bundles.get(id(row), (row,))
        told.setdefault(tuple(one.id for one in bundle), bundle)
    return list(told.values())
