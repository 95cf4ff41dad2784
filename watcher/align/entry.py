"""A reading as it is entered: what goes into the log for it, and for readings before it that it settles.

Rules: what was typed goes in as it was typed, odd or not. An odd reading waits for an answer; a later good one settles
it: it is good if it fits between its neighbours after all, and is withdrawn if it does not. An odd one that the next
bears out is good as well, and so is the next: twice the same is no slip of the pen. Nothing is put right without the
word of a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from watcher.align.entry_check import EntryCheck, Known, Odd, check_entry, index_of, still_odd
from watcher.align.typed import Answer, MeterLife, Standing, TypedReading
from watcher.domain.event import Draft, EventKind


class Consent(StrEnum):
    """What the person says of a reading that is asked about."""

    NONE = "none"  # nothing yet
    AS_TYPED = "as-typed"
    AS_OFFERED = "as-offered"


@dataclass(frozen=True, slots=True)
class Entry:
    """What somebody typed. text: as it was typed. photo: sha256 of the picture that shows it"""

    at_ms: int
    text: str
    who: str = ""
    serial: str = ""
    photo: str = ""


@dataclass(frozen=True, slots=True)
class Entered:
    """check: what was found of it. reading: as it stands now. settled: earlier ones that it settled, as they stand now

    drafts: the events, in the order in which they are to be added
    """

    check: EntryCheck
    reading: TypedReading
    settled: tuple[TypedReading, ...]
    drafts: tuple[Draft, ...]


def enter(
    entry: Entry,
    life: MeterLife,
    readings: Sequence[TypedReading],
    now_ms: int,
    known: Known | None = None,
    consent: Consent = Consent.NONE,
) -> Entered:
    """Judge a reading and say what is to be recorded. ValueError for a text that is no reading.

    readings: all that was typed so far, in order of time. The same once more, typed for the same instant while it is
    asked about, adds nothing but the answer.
    """
    known = known if known is not None else Known()
    check = check_entry(entry.text, entry.at_ms, life, readings, known, entry.serial)
    typed_wh = round(index_of(entry.text) * 1000.0, 3)
    borne_out = () if check.fits or consent is not Consent.NONE else _borne_out(entry, life, readings, known)
    if borne_out:
        check = replace(check, odd=None, slip=None, offered_wh=None)
    reading = TypedReading(
        life.meter, entry.at_ms, typed_wh, Standing.GOOD if check.fits else Standing.ASKED, entry.serial, entry.text,
        typed_wh, entry.who, entry.photo, str(check.odd or ""), check.offered_wh, now_ms,
    )  # fmt: skip
    drafts: list[Draft] = []
    there = next((one for one in readings if one.at_ms == entry.at_ms), None)
    again = there is not None and there.typed_wh == typed_wh and there.standing is Standing.ASKED
    if not again:
        drafts.append(Draft(EventKind.TYPED_READING, life.meter, entry.at_ms, _values(reading, check)))
    if (said := _said(check, consent)) is not None:
        drafts.append(answer(reading, said[0], now_ms, entry.who, said[1]))
        reading = replace(reading, standing=Standing.GOOD, index_wh=typed_wh if said[1] is None else said[1])
    settled = [replace(one, standing=Standing.GOOD) for one in borne_out]
    if reading.standing is Standing.GOOD and not borne_out:
        settled = _settled(reading, life, readings, known)
    drafts += [_settling(one, reading, life.meter, now_ms) for one in settled]
    return Entered(check, reading, tuple(settled), tuple(drafts))


def answer(reading: TypedReading, said: Answer, now_ms: int, who: str, index_wh: float | None = None) -> Draft:
    """What a person says of a reading afterwards. index_wh: of a correction"""
    values: dict[str, str | float] = {"read_ms": float(reading.at_ms), "answer": str(said), "who": who}
    return Draft(
        EventKind.ANSWER, reading.meter, now_ms, values if index_wh is None else {**values, "energy_index": index_wh}
    )


def unreadable(meter: str, at_ms: int, who: str, photo: str = "") -> Draft:
    """Someone stood before the meter and could not read it."""
    told: dict[str, str | float] = {"unreadable": 1.0, "who": who}
    return Draft(EventKind.TYPED_READING, meter, at_ms, told | ({"photo": photo} if photo else {}))


def _said(check: EntryCheck, consent: Consent) -> tuple[Answer, float | None] | None:
    if check.fits or consent is Consent.NONE:
        return None
    if consent is Consent.AS_OFFERED:
        return None if check.offered_wh is None else (Answer.CORRECTED, check.offered_wh)
    return Answer.CONFIRMED, None


def _borne_out(
    entry: Entry, life: MeterLife, readings: Sequence[TypedReading], known: Known
) -> tuple[TypedReading, ...]:
    """Earlier readings that were asked about for too much or too little, and after which this one goes on as it should.

    Only what the plant can have made, so that a digit misread twice stays a question.
    """
    asked = [one for one in readings if one.standing is Standing.ASKED and one.at_ms < entry.at_ms]
    if not asked:
        return ()
    before = asked[-1]
    found = check_entry(before.typed or f"{before.index_wh / 1000}", before.at_ms, life, readings, known, before.serial)
    believable = found.odd in (Odd.TOO_MUCH, Odd.TOO_LITTLE) and found.before_wh is not None
    gained_wh = before.index_wh - (found.before_wh or 0.0)
    if not believable or not 0 <= gained_wh <= (found.most_wh if found.most_wh is not None else float("inf")):
        return ()
    trusted = [replace(one, standing=Standing.GOOD) if one is before else one for one in readings]
    return (before,) if check_entry(entry.text, entry.at_ms, life, trusted, known, entry.serial).fits else ()


def _settled(
    reading: TypedReading, life: MeterLife, readings: Sequence[TypedReading], known: Known
) -> list[TypedReading]:
    """Readings before a good one that were asked about, and what it makes of them."""
    around = sorted([*(one for one in readings if one.at_ms != reading.at_ms), reading], key=lambda one: one.at_ms)
    settled = []
    for one in around:
        if one.standing is Standing.ASKED and one.at_ms < reading.at_ms:
            odd = still_odd(one, life, around, known)
            settled.append(replace(one, standing=Standing.GOOD if odd is None else Standing.WITHDRAWN))
    return settled


def _settling(one: TypedReading, by: TypedReading, meter: str, now_ms: int) -> Draft:
    said = Answer.CONFIRMED if one.standing is Standing.GOOD else Answer.WITHDRAWN
    values: dict[str, str | float] = {
        "read_ms": float(one.at_ms),
        "answer": str(said),
        "who": by.who,
        "by_reading_ms": float(by.at_ms),
    }
    likely = {} if one.offered_wh is None or said is Answer.CONFIRMED else {"likely": one.offered_wh}
    return Draft(EventKind.ANSWER, meter, now_ms, values | likely)


def _values(reading: TypedReading, check: EntryCheck) -> dict[str, str | float]:
    told: dict[str, str | float] = {
        "energy_index": reading.index_wh,
        "standing": str(reading.standing),
        "typed": reading.typed,
        "who": reading.who,
        "serial": reading.serial,
        "photo": reading.photo,
        "why": reading.why,
        "slip": str(check.slip or ""),
    }
    offered = {} if check.offered_wh is None else {"offered": check.offered_wh}
    return {name: value for name, value in told.items() if value != ""} | offered
