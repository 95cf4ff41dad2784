"""Where typed readings come in, from the command line or a page: checked against all that is known, and recorded.

Rule: one transaction a reading, its picture and what it settles with it. What is typed is recorded before anyone is
asked about it. What the inverter and the sunshine say is taken from the stores as they are now; nothing is judged here.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Protocol

from watcher.align.entry import Consent, Entered, Entry, answer, enter, unreadable
from watcher.align.entry_check import Elsewhere, Known
from watcher.align.possible import JUMP_FACTOR, behind, capacity_w, full_hours, possible_wh
from watcher.align.typed import Answer, MeterLife, TypedReading, life_of, typed_readings
from watcher.domain.event import Document, Event
from watcher.domain.instant import DAY_MS, HOUR_MS, local_day, local_day_of
from watcher.domain.reading import Samples
from watcher.domain.site import Meter, SiteRecord
from watcher.store.ledger import Ledger
from watcher.sun_height import sun_height_deg

LOOK_MS = 16 * HOUR_MS
"""How far before an instant an inverter's counter is looked for: over a winter night it stands still."""

FRESH_MS = HOUR_MS
"""The same by day."""

LEAST_EXPECTED_SHARE = 0.9
"""Of the days between two readings, that must have an expectation; the others are taken to be like them."""

EVER_MS = 2**62


class Stored(Protocol):
    """What was measured; the readings store."""

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> Mapping[str, Samples]: ...


@dataclass(frozen=True, slots=True)
class ReadingDesk:
    """One site's meters. stored: None where there is no store of measured values yet"""

    ledger: Ledger
    record: SiteRecord
    stored: Stored | None = None

    def take(
        self, meter: str, entry: Entry, now_ms: int, consent: Consent = Consent.NONE, photo: Document | None = None
    ) -> Entered:
        """Record a reading, with the picture that shows it. ValueError for a text that is no reading.

        To answer a question, give the same entry again with a consent: only the answer is added.
        """
        events = self.events()
        readings, life = typed_readings(events, meter), life_of(self.record, events, meter)
        entered = enter(entry, life, readings, now_ms, self.known(meter, entry.at_ms, events, now_ms), consent)
        self.ledger.add_events(self.record.id, entered.drafts, now_ms, () if photo is None else (photo,))
        return entered

    def withdraw(self, reading: TypedReading, who: str, now_ms: int) -> None:
        """It was a slip, or of another meter. It stays in the log."""
        self.ledger.add_events(self.record.id, (answer(reading, Answer.WITHDRAWN, now_ms, who),), now_ms)

    def cannot_be_read(self, meter: str, at_ms: int, who: str, now_ms: int, photo: Document | None = None) -> None:
        """Someone stood before the meter, and its display shows nothing that can be read."""
        draft = unreadable(meter, at_ms, who, "" if photo is None else photo.sha256)
        self.ledger.add_events(self.record.id, (draft,), now_ms, () if photo is None else (photo,))

    def readings(self, meter: str) -> tuple[TypedReading, ...]:
        return typed_readings(self.events(), meter)

    def life(self, meter: str) -> MeterLife:
        return life_of(self.record, self.events(), meter)

    def events(self) -> list[Event]:
        """All that was said of the site."""
        return self.ledger.events(self.record.id, EVER_MS)[0]

    def known(self, meter: str, at_ms: int, events: Sequence[Event], now_ms: int) -> Known:
        """What a reading of a meter is held against. events: all that was said of the site"""
        site, own = life_of(self.record, events, meter).facts(at_ms)
        covered = behind(site, None, own)

        def inverter_wh(start_ms: int, end_ms: int) -> float | None:
            shares = [self._counted_wh(inverter.id, start_ms, end_ms, now_ms) for inverter in covered]
            told = [share for share in shares if share is not None]
            return sum(told) if told and len(told) == len(shares) else None

        def expected_wh(start_ms: int, end_ms: int) -> float | None:
            whole = {inverter.id for inverter in site.inverters} == {inverter.id for inverter in covered}
            return self._expected_wh(start_ms, end_ms) if whole else None

        return Known(inverter_wh, expected_wh, tuple(self._elsewhere(own, at_ms, events, now_ms)))

    def _counted_wh(self, inverter: str, start_ms: int, end_ms: int, now_ms: int) -> float | None:
        """What an inverter's own counter gained; None where it does not reach over both instants, or fell. [Wh]"""
        start_wh = self._shown_wh(inverter, start_ms, now_ms)
        end_wh = self._shown_wh(inverter, end_ms, now_ms)
        return None if start_wh is None or end_wh is None or end_wh < start_wh else end_wh - start_wh

    def _shown_wh(self, inverter: str, at_ms: int, now_ms: int) -> float | None:
        if self.stored is None:
            return None
        name = f"{inverter}.ac_energy"
        rows = self.stored.window(self.record.id, (name,), at_ms - LOOK_MS, at_ms + 1, now_ms).get(name, Samples())
        place = bisect_right(rows.time_ms, at_ms)
        if not place:
            return None
        base = self.record.base
        by_day = sun_height_deg(base.latitude_deg, base.longitude_deg, at_ms) > 0.0
        return None if by_day and at_ms - rows.time_ms[place - 1] > FRESH_MS else rows.value[place - 1]

    def _expected_wh(self, start_ms: int, end_ms: int) -> float | None:
        """What settled days say the sunshine promised, the first and the last by their share; None where too few do."""
        zone = self.record.base.zone
        by_day = {one.day: one.expected_wh for one in self.ledger.days(self.record.id) if one.expected_wh is not None}
        day, last = local_day_of(start_ms, zone), local_day_of(end_ms, zone)
        told_wh, told_ms = 0.0, 0
        while day <= last:
            begin_ms, stop_ms = local_day(day, zone)
            inside_ms = min(stop_ms, end_ms) - max(begin_ms, start_ms)
            if day in by_day:
                told_wh += by_day[day] * inside_ms / (stop_ms - begin_ms)
                told_ms += inside_ms
            day += timedelta(days=1)
        if told_ms < LEAST_EXPECTED_SHARE * (end_ms - start_ms) or told_ms < DAY_MS:
            return None
        return told_wh * (end_ms - start_ms) / told_ms

    def _elsewhere(self, own: Meter, at_ms: int, events: Sequence[Event], now_ms: int) -> list[Elsewhere]:
        """Registers that may have been read instead: of the other meters, and the inverters' own displays."""
        found = []
        site = self.record.at(at_ms)
        for meter in site.meters:
            earlier = [one for one in typed_readings(events, meter.id) if one.at_ms <= at_ms]
            if meter.id != own.id and earlier:
                last = earlier[-1]
                most_wh = life_of(self.record, events, meter.id).possible_wh(last.at_ms, at_ms, JUMP_FACTOR)
                if most_wh < float("inf"):
                    found.append(Elsewhere(meter.id, last.index_wh, last.index_wh + most_wh))
        for inverter in site.inverters:
            shown_wh = self._shown_wh(inverter.id, at_ms, now_ms)
            if shown_wh is not None:
                one = (inverter,)
                most_wh = possible_wh(capacity_w(site, one), HOUR_MS, full_hours(one), JUMP_FACTOR)
                if most_wh < float("inf"):
                    found.append(Elsewhere(inverter.id, shown_wh - most_wh, shown_wh + most_wh))
        return found
