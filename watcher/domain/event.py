"""What is told rather than measured: identities, typed readings, visits, answers. Append-only.

Rule: an event is never changed or removed; a later one puts an earlier one right.

An inspection is what someone says who has looked at a device and dealt with what was found: subject the device, values
{"who": name} and, where it is about one alert alone, {"alert": its id}.

A release is the firm's word that the home may hear of an alert now: subject the alert's id, values {"who": name,
"line": what it adds}. Seen and mute are what a reader says of an alert: subject its id, values {"address": whose} and
for mute {"on": the ISO date on which he wants to be reminded}.

A typed reading is what someone read from a meter's display: subject the meter, values {"energy_index": Wh}, at_ms the
instant it was read. What else may stand with it, and what answers and exchanges say: align/typed.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from hashlib import sha256


class EventKind(StrEnum):
    IDENTITY = "identity"  # a device said who it is: maker, model, serial, version as text
    NOTE = "note"  # something a reader of the log wants to know once
    TYPED_READING = "typed-reading"
    METER_EXCHANGE = "meter-exchange"
    VISIT = "visit"
    ROOF_WORK = "roof-work"  # an array's panels are off, or on again (align/roof_work.py)
    SEEN = "seen"
    MUTE = "mute"
    RELEASED = "released"
    INSPECTED = "inspected"
    ANSWER = "answer"
    UNDATED = "undated"  # readings were taken while no clock was right; at_ms is the earliest they may be from


@dataclass(frozen=True, slots=True)
class Event:
    """One thing said about a site.

    subject: the device or alert it is about, or ""
    at_ms: when it happened
    received_ms: when we heard of it; set by the ledger, never before anything already judged
    values: what was said; texts and numbers only
    """

    site: str
    kind: EventKind
    subject: str
    at_ms: int
    received_ms: int
    values: Mapping[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Draft:
    """An event that is to be recorded. Fields as in Event; when it was heard of is for the ledger to say."""

    kind: EventKind
    subject: str
    at_ms: int
    values: Mapping[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Document:
    """A file that an event names by its sha256, such as the picture of a display."""

    sha256: str
    media: str
    content: bytes

    @classmethod
    def of(cls, media: str, content: bytes) -> Document:
        return cls(sha256(content).hexdigest(), media, content)
