"""Arrays whose panels are off while someone works on the roof: they are not there then, and nothing is judged of them.

Rule: whole UTC days, begun and ended ones included, since expectations are made by the day. Facts stay what they are,
so that what was learned of the plant holds again once the panels are back.

The events: ROOF_WORK, subject the array, values panels ("off" or "on") and who, at the instant it was so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

from watcher.domain.event import Event, EventKind
from watcher.domain.instant import DAY_MS, floor_day
from watcher.domain.site import Site, SiteRecord

OFF, ON = "off", "on"
NEVER_MS = 2**62


class Away(NamedTuple):
    """array: its id. start_ms, end_ms: whole UTC days without it"""

    array: str
    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class WorkedOn(SiteRecord):
    """A site's record with the times at which arrays were off the roof."""

    away: tuple[Away, ...] = ()

    def at(self, at_ms: int) -> Site:
        site = SiteRecord.at(self, at_ms)
        gone = {one.array for one in self.away if one.start_ms <= at_ms < one.end_ms}
        return replace(site, arrays=tuple(array for array in site.arrays if array.id not in gone)) if gone else site

    def changes(self) -> tuple[int, ...]:
        ends = {at_ms for one in self.away for at_ms in one[1:] if at_ms < NEVER_MS}
        return tuple(sorted({*SiteRecord.changes(self), *ends}))


def with_roof_work(record: SiteRecord, events: Iterable[Event]) -> SiteRecord:
    """The record as it is where nobody works on a roof; events: of the site, those that may be known."""
    away = aways(events)
    if not away:
        return record
    return WorkedOn(**{field.name: getattr(record, field.name) for field in fields(SiteRecord)}, away=away)


def aways(events: Iterable[Event]) -> tuple[Away, ...]:
    """When arrays were off, in order of array and time; an open end has not been told yet."""
    told = [event for event in events if event.kind is EventKind.ROOF_WORK]
    found: list[Away] = []
    since: dict[str, int] = {}
    for event in sorted(told, key=lambda event: (event.at_ms, event.received_ms)):
        panels = event.values.get("panels")
        if panels == OFF:
            since.setdefault(event.subject, event.at_ms)
        elif panels == ON and event.subject in since:
            found.append(_whole_days(event.subject, since.pop(event.subject), event.at_ms))
    found += [Away(array, floor_day(start_ms), NEVER_MS) for array, start_ms in since.items()]
    return tuple(sorted(found))


def _whole_days(array: str, start_ms: int, end_ms: int) -> Away:
    return Away(array, floor_day(start_ms), floor_day(max(end_ms - 1, start_ms)) + DAY_MS)
