"""The time a payload carries, to an instant. Pure.

Rule: the map says in which form a time is written; one in another form, without an offset where no zone is declared, or
of an hour that was left out is no time. A local time of the hour that happens twice is settled by when the message
came, where it came at once; else it is not settled at all, and not stored.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, tzinfo
from decimal import Decimal
from enum import StrEnum
from typing import TypeAlias

from watcher.collect.mqtt.topic_map import TimeField, TimeForm
from watcher.domain.instant import DAY_MS, MINUTE_MS, to_ms
from watcher.table.double_hour import Hour, hour_of, instant

AHEAD_MS = 5 * MINUTE_MS
"""How far a device's clock may be ahead of ours; a reading from further ahead would spoil what is judged by time."""

BEHIND_MS = 400 * DAY_MS
"""How old what is told may be. Clocks that have lost the time begin at the start of an era, not a year ago."""

AT_ONCE_MS = 20 * MINUTE_MS
"""A message that tells of a time so near when it came was sent at once."""

_NUMBER = re.compile(r"[0-9]{1,15}(?:\.[0-9]{0,9})?")


@dataclass(frozen=True, slots=True)
class Twice:
    """A local time that happens twice: its first and its second instant. [ms]"""

    first_ms: int
    second_ms: int


Stamp: TypeAlias = int | Twice
"""An instant [ms], or two of which it is one."""


class Undatable(StrEnum):
    """Why a time that can be read is not believed."""

    AHEAD = "dated-ahead"
    OLD = "dated-long-ago"
    TWICE = "double-hour"


def stamp_of(written: str, field: TimeField) -> Stamp | None:
    """The time a payload carries; None where it is none of the declared form."""
    if field.form is not TimeForm.ISO:
        if _NUMBER.fullmatch(written) is None:
            return None
        return int(Decimal(written) * (1000 if field.form is TimeForm.SECONDS else 1))
    try:
        at = datetime.fromisoformat(written)
    except ValueError:
        return None
    if not 1980 <= at.year < 2200 or ("T" not in written and " " not in written):
        return None
    if at.tzinfo is not None:
        return to_ms(at)
    return None if field.zone is None else _local(at, field.zone)


def _local(at: datetime, zone: tzinfo) -> Stamp | None:
    match hour_of(at, zone):
        case Hour.ONCE:
            return instant(at, zone)
        case Hour.TWICE:
            return Twice(instant(at, zone, 0), instant(at, zone, 1))
        case Hour.NEVER:
            return None


def settled(stamp: Stamp, received_ms: int) -> int | Undatable:
    """The instant meant, now that it is known when the message came."""
    if isinstance(stamp, Twice):
        near = [at for at in (stamp.first_ms, stamp.second_ms) if -AHEAD_MS <= received_ms - at <= AT_ONCE_MS]
        return near[0] if len(near) == 1 else Undatable.TWICE
    if stamp > received_ms + AHEAD_MS:
        return Undatable.AHEAD
    return stamp if stamp >= received_ms - BEHIND_MS else Undatable.OLD
