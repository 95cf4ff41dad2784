"""What is on file and on disk of a fleet, brought together for the judge of readings. For commands: it needs numpy.

Rule: only a person's answer counts here. What an import settled between neighbours, the judge settles better: it knows
the sunshine and every later reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from watcher.alert.policy import POLICY, policies
from watcher.align.roof_work import with_roof_work
from watcher.align.typed import TypedReading, life_of, typed_readings
from watcher.detect.readings_fleet import SiteReadings, judge_fleet
from watcher.detect.readings_found import ReadingsJudged, Untold
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS
from watcher.domain.site import MeterRole, SiteRecord, SourceKind
from watcher.expect.expectation import Basis
from watcher.expect.past_energy import CELL_DEG, past_energy, typical_sunshine
from watcher.expect.past_sunshine import PastSunshine
from watcher.store.ledger import Ledger
from watcher.store.sunshine import SunshineStore
from watcher.sunshine import kept_sunshine

EVER_MS = 2**62
LEAST_KNOWN = 0.5
"""Of the hours: with less of its sunshine known a site is judged by its neighbours'."""


@dataclass(frozen=True, slots=True)
class MeterBook:
    """One meter and all that was said of it."""

    record: SiteRecord
    meter: str
    events: tuple[Event, ...]
    readings: tuple[TypedReading, ...]


def books(records: Iterable[SiteRecord], ledger: Ledger) -> list[MeterBook]:
    """Every generation meter that people read, with what they read from it; places near each other together.

    Meters that are read automatically are watched from day to day, and are here only if somebody reads them as well.
    """
    found = []
    for record in sorted(records, key=_cell):
        events = tuple(one for one in ledger.events(record.id, EVER_MS)[0] if not _settled_by_itself(one))
        worked_on = with_roof_work(record, events)
        for meter in dict.fromkeys(meter.id for meter in record.meters if meter.role is MeterRole.GENERATION):
            readings = typed_readings(events, meter)
            if readings or _by_hand(record, meter):
                found.append(MeterBook(worked_on, meter, events, readings))
    return found


def judge_books(found: Sequence[MeterBook], sunshine: SunshineStore) -> list[tuple[MeterBook, ReadingsJudged]]:
    """Each judged on the best there is, in the order given."""
    # Matrices here have forty rows: more threads than one only get in each other's way.
    with threadpool_limits(1):
        sites = {n: _site(book, sunshine) for n, book in enumerate(found) if len(book.readings) >= 2}
        judged = dict(zip(sites, judge_fleet(list(sites.values()), POLICY[Finding.OUTPUT_LOW].limits), strict=True))
    few = Untold.FEW_READINGS
    return [(book, judged.get(n) or ReadingsJudged(book.meter, Basis.NONE, untold=few)) for n, book in enumerate(found)]


def _by_hand(record: SiteRecord, meter: str) -> bool:
    source = record.base.source_of(meter)
    return source is None or source.kind is SourceKind.TYPED


def _settled_by_itself(event: Event) -> bool:
    return event.kind is EventKind.ANSWER and "by_reading_ms" in event.values


def _cell(record: SiteRecord) -> tuple[float, float, str]:
    base = record.base
    return round(base.latitude_deg / CELL_DEG), round(base.longitude_deg / CELL_DEG), record.id


def _site(book: MeterBook, store: SunshineStore) -> SiteReadings:
    record, base = book.record, book.record.base
    # Whole years, so that places of a cell ask for the same hours and share the sun's path.
    year_ms = 8766 * HOUR_MS
    begin_ms = book.readings[0].at_ms // year_ms * year_ms
    end_ms = -(-book.readings[-1].at_ms // year_ms) * year_ms
    # Of a meter that came to cover more, all it ever covered: what is not there yet makes nothing.
    covers = tuple(dict.fromkeys(id for meter in record.meters if meter.id == book.meter for id in meter.covers))
    life = life_of(record, book.events, book.meter)
    limits = policies(base.policy)[Finding.OUTPUT_LOW].limits
    sunshine = kept_sunshine(store, base.latitude_deg, base.longitude_deg, begin_ms, end_ms)
    inside = sunshine.over(book.readings[0].at_ms, book.readings[-1].at_ms)
    if inside.known() >= LEAST_KNOWN:
        energy = past_energy(record, covers, sunshine)
        return SiteReadings(life, book.readings, energy, energy, _basis(inside), limits)
    typical = past_energy(record, covers, typical_sunshine(record, begin_ms, end_ms))
    return SiteReadings(life, book.readings, typical, limits=limits)


def _basis(sunshine: PastSunshine) -> Basis:
    """What most of the known hours come of."""
    counts = np.bincount(sunshine.basis[sunshine.basis != Basis.NONE])
    return Basis(int(np.argmax(counts)))
