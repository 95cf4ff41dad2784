"""What is known of a meter's papers: until when it is certified, and when somebody last verified it.

Rule: what was said last holds. An exchange of which no date was given leaves no date, unless the file names the new
serial: the old meter's certificate says nothing of the new one.

The events: METER_EXCHANGE (align/typed.py), and SEEN, subject the meter, values what ("verified", or "certified" with
certified_until) and who.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from watcher.domain.event import Event, EventKind
from watcher.domain.site import Meter

VERIFIED, CERTIFIED = "verified", "certified"


@dataclass(frozen=True, slots=True)
class Papers:
    """certified_until: the last day, None where not known. verified_ms: None for never"""

    certified_until: date | None = None
    verified_ms: int | None = None


def papers_of(meter: Meter, events: Iterable[Event]) -> Papers:
    """A meter's papers, by its file and by what was said of it."""
    until, verified_ms = date_of(meter.certified_until), None
    for event in sorted(events, key=lambda event: (event.at_ms, event.received_ms)):
        if event.subject != meter.id:
            continue
        said = date_of(str(event.values.get("certified_until", "")))
        if event.kind is EventKind.SEEN:
            if event.values.get("what") == VERIFIED:
                verified_ms = event.at_ms
            elif said is not None:
                until = said
        elif event.kind is EventKind.METER_EXCHANGE and event.values.get("what", "exchanged") == "exchanged":
            on_file = event.values.get("serial", "") == meter.serial != ""
            until, verified_ms = said or (date_of(meter.certified_until) if on_file else None), None
    return Papers(until, verified_ms)


def date_of(text: str) -> date | None:
    """A date as a file has it; None where there is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
