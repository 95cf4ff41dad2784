"""Readings of a sheet into what the log is to hold of them, beside what it holds already. Pure.

Rule: every reading goes in, the odd ones as a question. The same row again adds nothing, a changed one is typed anew
and said; nothing that was typed is taken back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from watcher.align.entry import Entry, enter
from watcher.align.entry_check import EntryCheck, Known
from watcher.align.typed import Standing, TypedReading, life_of, typed_readings
from watcher.domain.event import Draft, Event, EventKind
from watcher.domain.instant import local_day_of
from watcher.domain.site import SiteRecord
from watcher.sheets.reading_rows import ReadRow, What

KnownOf = Callable[[str, int], Known]


@dataclass(slots=True)
class Taken:
    """What the rows of one site came to.

    drafts: events to add, in order. same: rows that are there already. changed: (row, what was typed before [Wh])
    asked: rows that are asked about, with what was found of them. left_out: those that later readings proved wrong
    alone: final readings without an opening one, taken as readings
    """

    drafts: list[Draft] = field(default_factory=list)
    new: int = 0
    same: int = 0
    exchanges: int = 0
    changed: list[tuple[ReadRow, float]] = field(default_factory=list)
    asked: list[tuple[ReadRow, EntryCheck]] = field(default_factory=list)
    left_out: list[tuple[ReadRow, EntryCheck]] = field(default_factory=list)
    alone: list[ReadRow] = field(default_factory=list)


def take_rows(
    rows: Sequence[ReadRow], record: SiteRecord, events: Sequence[Event], now_ms: int, known: KnownOf | None = None
) -> Taken:
    """rows: of one site, in order of time meter by meter. events: all that was said of the site so far

    known: what a meter's reading of an instant is held against; None for the panels' power alone
    """
    work = _Taking(
        record, list(events), now_ms, Taken(), known if known is not None else lambda _meter, _at_ms: Known()
    )
    for meter in dict.fromkeys(row.meter for row in rows):
        of_meter = [row for row in rows if row.meter == meter]
        work.exchanges(of_meter)
        for row in of_meter:
            if row.what is What.READING or row in work.taken.alone:
                work.reading(row)
    odd, work.taken.asked = work.taken.asked, []
    for row, check in odd:  # later rows may have settled them
        now = next(one.standing for one in typed_readings(work.events, row.meter) if one.at_ms == row.at_ms)
        if now is Standing.ASKED:
            work.taken.asked.append((row, check))
        elif now is Standing.WITHDRAWN:
            work.taken.left_out.append((row, check))
    return work.taken


@dataclass(slots=True)
class _Taking:
    record: SiteRecord
    events: list[Event]
    now_ms: int
    taken: Taken
    known: KnownOf

    def exchanges(self, rows: Sequence[ReadRow]) -> None:
        """Finals with the opening reading that comes next, or an opening reading alone."""
        final: ReadRow | None = None
        for row in rows:
            if row.what is What.FINAL:
                if final is not None:
                    self.taken.alone.append(final)
                final = row
            elif row.what is What.OPENING:
                self._exchange(final, row)
                final = None
        if final is not None:
            self.taken.alone.append(final)

    def _exchange(self, final: ReadRow | None, opening: ReadRow) -> None:
        values: dict[str, str | float] = {
            "what": "exchanged",
            "opened_ms": float(opening.at_ms),
            "opening_index": opening.index_wh,
            "serial": opening.serial,
            "who": opening.who,
        }
        at_ms = opening.at_ms
        if final is not None:
            values |= {"final_index": final.index_wh, "final_serial": final.serial}
            at_ms = final.at_ms
        values = {name: value for name, value in values.items() if value != ""}
        draft = Draft(EventKind.METER_EXCHANGE, opening.meter, at_ms, values)
        known = [one for one in self.events if one.kind is draft.kind and one.subject == draft.subject]
        if any(one.at_ms == at_ms and dict(one.values) == values for one in known):
            self.taken.same += 1 + (final is not None)
            return
        self._add((draft,))
        self.taken.exchanges += 1

    def reading(self, row: ReadRow) -> None:
        readings = typed_readings(self.events, row.meter)
        before = self._there(row, readings)
        if before is not None and before.typed_wh == row.index_wh:
            self.taken.same += 1
            return
        life = life_of(self.record, self.events, row.meter)
        entry = Entry(row.at_ms, row.text, row.who, row.serial)
        entered = enter(entry, life, readings, self.now_ms, self.known(row.meter, row.at_ms))
        if before is not None:
            self.taken.changed.append((row, before.typed_wh))
        else:
            self.taken.new += 1
        self._add(entered.drafts)
        if entered.reading.standing is Standing.ASKED:
            self.taken.asked.append((row, entered.check))

    def _there(self, row: ReadRow, readings: Sequence[TypedReading]) -> TypedReading | None:
        """What was typed before for the row: of its instant, or the same index of its day where the row has no time."""
        exact = next((one for one in readings if one.at_ms == row.at_ms), None)
        if exact is not None or row.timed:
            return exact
        zone = self.record.base.zone
        day = local_day_of(row.at_ms, zone)
        same = (one for one in readings if one.typed_wh == row.index_wh and local_day_of(one.at_ms, zone) == day)
        return next(same, None)

    def _add(self, drafts: Sequence[Draft]) -> None:
        self.taken.drafts += drafts
        for one in drafts:
            self.events.append(Event(self.record.id, one.kind, one.subject, one.at_ms, self.now_ms, one.values))
