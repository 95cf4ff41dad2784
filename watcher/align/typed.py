"""What people read from a meter's display: the readings with their answers, and the meter's life as one total.

Rules: everything typed is an event and stays one; an answer says what a reading is worth now. A reading that is asked
about takes part in nothing. Energy exists between two good readings of one series, and across an exchange only through
its final and its opening index; across a fall that nobody explained there is none. Whole intervals, never a share.

Without the model stack, so that a reading can be judged where it is typed.

The events and their values (energies in Wh, instants in ms, the rest text; only the first is always there):
TYPED_READING at the instant of reading, subject the meter: energy_index, standing, typed (as it was written), who,
  serial, photo (sha256), why, slip, offered
ANSWER at the instant of the answer, subject the meter: read_ms (of the reading it is about), answer ("confirmed",
  "corrected", "withdrawn"), energy_index (of a correction), who, by_reading_ms (of the later reading that settled it)
METER_EXCHANGE at the instant of the final reading, subject the meter or inverter: what ("exchanged", "reset" or
  "rolled-over"), final_index, final_serial, opened_ms, opening_index, serial, certified_until, who
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from watcher.align.possible import ROLLOVER_FACTOR, behind, capacity_w, full_hours, possible_wh
from watcher.domain.event import Event, EventKind
from watcher.domain.site import Meter, Site, SiteRecord


class Standing(StrEnum):
    """What a typed reading is worth."""

    GOOD = "good"
    ASKED = "asked"  # odd, and nobody has said yet whether it is right
    WITHDRAWN = "withdrawn"


class Answer(StrEnum):
    """What was said of a reading later."""

    CONFIRMED = "confirmed"
    CORRECTED = "corrected"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class TypedReading:
    """A reading of a display as it is worth now.

    index_wh: what the register showed, corrected where an answer says so [Wh]. typed_wh: as it was typed [Wh]
    serial: of the meter that was read; "" where not said. typed: the text as it was written
    why, offered_wh: of one that was asked about, the reason and the likely value
    """

    meter: str
    at_ms: int
    index_wh: float
    standing: Standing = Standing.GOOD
    serial: str = ""
    typed: str = ""
    typed_wh: float = 0.0
    who: str = ""
    photo: str = ""
    why: str = ""
    offered_wh: float | None = None
    received_ms: int = 0


@dataclass(frozen=True, slots=True)
class Change:
    """A register that began anew.

    at_ms, final_wh, final_serial: the last of the old series. opened_ms, opening_wh, serial: the first of the new one
    What was not said is None or "".
    """

    at_ms: int
    opened_ms: int
    final_wh: float | None = None
    opening_wh: float | None = None
    final_serial: str = ""
    serial: str = ""
    certified_until: str = ""
    reset: bool = False  # the same meter counts from elsewhere, or has gone round


@dataclass(frozen=True, slots=True)
class MeterLife:
    """What is on file and was said of one meter. changes: in order of time"""

    record: SiteRecord
    meter: str
    changes: tuple[Change, ...] = ()

    def facts(self, at_ms: int) -> tuple[Site, Meter]:
        """The site, and the meter as it was at an instant; before it was fitted, as it was first."""
        own = [meter for meter in self.record.meters if meter.id == self.meter and not meter.removed]
        site = self.record.at(max(at_ms, min(meter.from_ms for meter in own)))
        newest = max((one for one in own if one.from_ms <= at_ms), key=lambda one: one.from_ms, default=own[0])
        return site, newest

    def modulus_wh(self, at_ms: int) -> float:
        """Where its register goes round to zero. [Wh]"""
        return 1000.0 * 10.0 ** self.facts(at_ms)[1].digits

    def possible_wh(self, start_ms: int, end_ms: int, factor: float) -> float:
        """The most it can have counted between two instants; infinite where no rating is on file. [Wh]"""
        site, meter = self.facts(end_ms)
        counted = behind(site, None, meter)
        most = possible_wh(capacity_w(site, counted), end_ms - start_ms, full_hours(counted), factor)
        return most + meter.resolution_wh

    def serial_at(self, at_ms: int) -> str:
        """The serial number in force; what was said of the newest exchange before the file. "" where not known."""
        told = [change.serial for change in self.changes if change.opened_ms <= at_ms and change.serial]
        if told:
            return told[-1]
        later = [change.final_serial for change in self.changes if change.opened_ms > at_ms and change.final_serial]
        return later[0] if later else self.facts(at_ms)[1].serial


class Since(StrEnum):
    """What stands between a total and the one before it."""

    NOTHING = "nothing"  # it is the first, or what was counted in between cannot be known
    COUNTED = "counted"
    NOT_METERED = "not-metered"  # no meter was there


@dataclass(frozen=True, slots=True)
class Total:
    """What a meter's registers have counted in all by an instant, from its first good reading on. [Wh]"""

    at_ms: int
    wh: float
    since: Since = Since.COUNTED


@dataclass(frozen=True, slots=True)
class Interval:
    """Energy between two readings, minutes or years apart, and nowhere else. [Wh]"""

    start_ms: int
    end_ms: int
    wh: float


def typed_readings(events: Iterable[Event], meter: str) -> tuple[TypedReading, ...]:
    """A meter's typed readings in order of time, each as its answers leave it; of one instant the one received last."""
    found: dict[int, TypedReading] = {}
    for event in sorted(events, key=lambda event: event.received_ms):
        if event.subject != meter:
            continue
        if event.kind is EventKind.TYPED_READING and (reading := _reading(event)) is not None:
            found[event.at_ms] = reading
        elif event.kind is EventKind.ANSWER:
            read_ms = event.values.get("read_ms")
            if isinstance(read_ms, int | float) and (about := found.get(round(read_ms))) is not None:
                found[about.at_ms] = answered(about, event)
    return tuple(found[at_ms] for at_ms in sorted(found))


def answered(reading: TypedReading, answer: Event) -> TypedReading:
    """A reading after an answer to it; an answer without a known word changes nothing."""
    said, value = answer.values.get("answer"), answer.values.get("energy_index")
    if said == Answer.WITHDRAWN:
        return replace(reading, standing=Standing.WITHDRAWN)
    if said == Answer.CONFIRMED:
        return replace(reading, standing=Standing.GOOD)
    if said == Answer.CORRECTED and isinstance(value, int | float):
        return replace(reading, standing=Standing.GOOD, index_wh=float(value))
    return reading


def life_of(record: SiteRecord, events: Iterable[Event], meter: str) -> MeterLife:
    """A meter's life: exchanges that were told, and those that only the file's dated serials tell of."""
    told = [
        _change(event)
        for event in sorted(events, key=lambda event: (event.at_ms, event.received_ms))
        if event.kind is EventKind.METER_EXCHANGE and event.subject == meter
    ]
    dated = sorted((one for one in record.meters if one.id == meter and not one.removed), key=lambda one: one.from_ms)
    known = {change.serial for change in told}
    for old, new in pairwise(dated):
        if new.serial and old.serial != new.serial and new.serial not in known:
            told.append(Change(new.from_ms, new.from_ms, final_serial=old.serial, serial=new.serial))
    return MeterLife(record, meter, tuple(sorted(told, key=lambda change: change.at_ms)))


def continuous(readings: Sequence[TypedReading], life: MeterLife) -> tuple[Total, ...]:
    """A meter's readings as one total that goes on through exchanges, resets and roll-overs. In order of time.

    Readings that are not good are left out. The final and the opening index of an exchange are readings as well.
    """
    totals: list[Total] = []
    before: TypedReading | None = None
    changes = list(life.changes)
    for reading in (one for one in readings if one.standing is Standing.GOOD):
        while changes and changes[0].at_ms < reading.at_ms:
            before = _exchanged(totals, before, changes.pop(0), life)
        _add(totals, reading.at_ms, _gained(before, reading, life), reading.index_wh)
        before = reading
    for change in changes:
        before = _exchanged(totals, before, change, life)
    return tuple(totals)


def intervals(totals: Sequence[Total]) -> tuple[Interval, ...]:
    """The stretches whose energy is known, in order of time."""
    return tuple(
        Interval(old.at_ms, new.at_ms, new.wh - old.wh) for old, new in pairwise(totals) if new.since is Since.COUNTED
    )


def gone_round_wh(before_wh: float, index_wh: float, modulus_wh: float) -> float:
    """What was counted if a register went round once between two readings. [Wh]"""
    return modulus_wh - before_wh + index_wh


def _add(totals: list[Total], at_ms: int, gained_wh: float | None, index_wh: float) -> None:
    """Put down a total; the first is the index itself, and where nothing is known of the energy it stays."""
    if not totals:
        totals.append(Total(at_ms, index_wh, Since.NOTHING))
    elif gained_wh is None:
        totals.append(Total(at_ms, totals[-1].wh, Since.NOTHING))
    else:
        totals.append(Total(at_ms, totals[-1].wh + gained_wh))


def _gained(before: TypedReading | None, reading: TypedReading, life: MeterLife) -> float | None:
    """Energy between two readings of one series; None where it cannot be told. [Wh]"""
    if before is None or (before.serial and reading.serial and before.serial != reading.serial):
        return None
    gained_wh = reading.index_wh - before.index_wh
    if gained_wh >= 0:
        return gained_wh
    round_wh = gone_round_wh(before.index_wh, reading.index_wh, life.modulus_wh(reading.at_ms))
    most_wh = life.possible_wh(before.at_ms, reading.at_ms, ROLLOVER_FACTOR)
    return round_wh if 0 <= round_wh <= most_wh < float("inf") else None


def _exchanged(
    totals: list[Total], before: TypedReading | None, change: Change, life: MeterLife
) -> TypedReading | None:
    """Close the old series and open the new one; what goes on from there, None where that is not known."""
    if change.final_wh is not None:
        final = TypedReading(life.meter, change.at_ms, change.final_wh, serial=change.final_serial)
        if before is None or before.at_ms < change.at_ms:
            _add(totals, change.at_ms, _gained(before, final, life), change.final_wh)
    if change.opening_wh is None:
        return None
    if totals and change.final_wh is not None and change.opened_ms > totals[-1].at_ms:
        totals.append(Total(change.opened_ms, totals[-1].wh, Since.NOT_METERED))
    elif not totals:
        totals.append(Total(change.opened_ms, change.opening_wh, Since.NOTHING))
    elif change.final_wh is None:
        totals.append(Total(change.opened_ms, totals[-1].wh, Since.NOTHING))
    return TypedReading(life.meter, change.opened_ms, change.opening_wh, serial=change.serial)


def _change(event: Event) -> Change:
    values = event.values
    opened_ms = _number(event, "opened_ms")
    return Change(
        at_ms=event.at_ms,
        opened_ms=event.at_ms if opened_ms is None else round(opened_ms),
        final_wh=_number(event, "final_index"),
        opening_wh=_number(event, "opening_index"),
        final_serial=str(values.get("final_serial", "")),
        serial=str(values.get("serial", "")),
        certified_until=str(values.get("certified_until", "")),
        reset=values.get("what") in ("reset", "rolled-over"),
    )


def _reading(event: Event) -> TypedReading | None:
    index_wh = _number(event, "energy_index")
    if index_wh is None:
        return None
    values = event.values
    standing = str(values.get("standing", Standing.GOOD))
    return TypedReading(
        meter=event.subject,
        at_ms=event.at_ms,
        index_wh=index_wh,
        standing=Standing(standing) if standing in tuple(Standing) else Standing.ASKED,
        serial=str(values.get("serial", "")),
        typed=str(values.get("typed", "")),
        typed_wh=index_wh,
        who=str(values.get("who", "")),
        photo=str(values.get("photo", "")),
        why=str(values.get("why", "")),
        offered_wh=_number(event, "offered"),
        received_ms=event.received_ms,
    )


def _number(event: Event, name: str) -> float | None:
    value = event.values.get(name)
    return float(value) if isinstance(value, int | float) else None
