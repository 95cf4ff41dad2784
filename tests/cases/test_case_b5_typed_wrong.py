"""Case B5: a reading typed wrong is asked about with the value that was meant, and takes part in nothing meanwhile."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.detect.made_homes import home_site
from watcher.align.entry import Consent, Entered, Entry, enter
from watcher.align.entry_check import Known, Odd, Slip
from watcher.align.typed import Answer, MeterLife, Standing, TypedReading, continuous, intervals, typed_readings
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import DAY_MS, HOUR_MS, parse_iso
from watcher.domain.site import SiteRecord

FIRST = parse_iso("2026-05-31T10:00Z")
WEEK_MS = 7 * DAY_MS
SITE = home_site()  # 4 kWp, one generation meter with five digits and a tenth
LIFE = MeterLife(SiteRecord(SITE, SITE.arrays, SITE.inverters, SITE.meters), "meter-1")


def good(week: int, kwh: float) -> TypedReading:
    return TypedReading("meter-1", FIRST + week * WEEK_MS, kwh * 1000.0, typed=f"{kwh:g}", typed_wh=kwh * 1000.0)


TWO = (good(0, 41_207), good(1, 41_289))


def inverter(*weeks: float) -> Known:
    """What the inverter made in each week [kWh]."""

    def made_wh(start_ms: int, end_ms: int) -> float:
        return sum(1000 * kwh for n, kwh in enumerate(weeks) if start_ms <= FIRST + n * WEEK_MS < end_ms)

    return Known(inverter_wh=made_wh)


def third(
    text: str, week_kwh: float, consent: Consent = Consent.NONE, readings: tuple[TypedReading, ...] = TWO
) -> Entered:
    entry = Entry(FIRST + 2 * WEEK_MS, text, who="the owner")
    return enter(entry, LIFE, readings, entry.at_ms + HOUR_MS, inverter(82.0, week_kwh, 83.0), consent)


@pytest.mark.parametrize(
    ("text", "odd", "slip", "offered_kwh"),
    [
        pytest.param("41731", Odd.TOO_MUCH, Slip.DIGITS_EXCHANGED, 41_371.0, id="a"),
        pytest.param("413714", Odd.TOO_MANY_DIGITS, Slip.POINT_MISSING, 41_371.4, id="b"),
        pytest.param("51371", Odd.TOO_MUCH, Slip.DIGIT_MISREAD, 41_371.0, id="c"),
        pytest.param("41.371", Odd.STARTED_ANEW, Slip.MEGAWATT_HOURS, 41_371.0, id="in MWh"),
        pytest.param("4137.1", Odd.BACKWARDS, Slip.POINT_MISSING, 41_371.0, id="the point a place too early"),
    ],
)
def test_case_b5_the_value_that_was_meant_is_offered(text: str, odd: Odd, slip: Slip, offered_kwh: float) -> None:
    check = third(text, 83.1).check
    assert (check.odd, check.slip, check.offered_wh) == (odd, slip, offered_kwh * 1000)
    assert (round((check.low_wh or 0) / 1000), round((check.high_wh or 0) / 1000)) == (41_360, 41_385)


def test_case_b5_d_less_than_the_inverter_gave_is_warned_of_and_not_blocked() -> None:
    warned = third("41371", 132.0)
    assert (warned.check.odd, warned.check.offered_wh) == (Odd.TOO_LITTLE, None)
    assert third("41371", 132.0, Consent.AS_TYPED).reading.standing is Standing.GOOD


def test_case_b5_the_right_value_is_not_asked_about() -> None:
    assert third("41371", 83.1).check.fits
    assert third("41,371.4 kWh", 83.1).reading.standing is Standing.GOOD


@pytest.mark.parametrize("text", ["41731", "413714", "51371"])
def test_case_b5_an_unconfirmed_value_takes_part_in_no_comparison(text: str) -> None:
    entered = third(text, 83.1)
    assert entered.reading.standing is Standing.ASKED
    readings = (*TWO, entered.reading)
    assert [one.wh for one in intervals(continuous(readings, LIFE))] == [82_000.0]


def logged(entered: Entered) -> list[Event]:
    return [
        Event("home-1", one.kind, one.subject, one.at_ms, place, one.values) for place, one in enumerate(entered.drafts)
    ]


@pytest.mark.parametrize(
    ("consent", "index_kwh", "answer"),
    [(Consent.AS_OFFERED, 41_371.0, Answer.CORRECTED), (Consent.AS_TYPED, 41_731.0, Answer.CONFIRMED)],
)
def test_case_b5_a_person_may_take_either_and_what_was_typed_is_never_lost(
    consent: Consent, index_kwh: float, answer: Answer
) -> None:
    events = logged(third("41731", 83.1, consent))
    assert [event.kind for event in events] == [EventKind.TYPED_READING, EventKind.ANSWER]
    assert (events[1].values["answer"], events[1].values["who"]) == (answer, "the owner")
    (reading,) = typed_readings(events, "meter-1")
    assert (reading.index_wh, reading.typed, reading.standing) == (index_kwh * 1000, "41731", Standing.GOOD)


def test_case_b5_answering_later_adds_the_answer_alone() -> None:
    asked = third("41731", 83.1).reading
    assert [one.kind for one in third("41731", 83.1, Consent.AS_OFFERED, (*TWO, asked)).drafts] == [EventKind.ANSWER]


@pytest.mark.parametrize("text", ["41731", "413714", "51371"])
def test_case_b5_a_later_good_reading_settles_it_and_says_who_and_when(text: str) -> None:
    asked = third(text, 83.1)
    entry = Entry(FIRST + 3 * WEEK_MS, "41455", who="the neighbour")
    later = enter(entry, LIFE, (*TWO, asked.reading), entry.at_ms, inverter(82.0, 83.1, 83.0))
    assert later.check.fits
    (settling,) = [one for one in later.drafts if one.kind is EventKind.ANSWER]
    assert settling.at_ms == entry.at_ms
    assert settling.values["who"] == "the neighbour"
    assert settling.values["answer"] == Answer.WITHDRAWN
    assert settling.values["likely"] == asked.check.offered_wh
    events = [*logged(asked), *(replace(event, received_ms=9 + event.received_ms) for event in logged(later))]
    assert [(one.standing, one.typed) for one in typed_readings(events, "meter-1")] == [
        (Standing.WITHDRAWN, text),
        (Standing.GOOD, "41455"),
    ]
    assert [one.wh for one in intervals(continuous((*TWO, *typed_readings(events, "meter-1")), LIFE))] == [82e3, 166e3]


def test_case_b5_a_reading_that_the_next_bears_out_was_right() -> None:
    # A meter that counts too little is a fault, and two readings that say so are no two slips.
    entered = third("41310", 83.1)
    assert entered.check.odd is Odd.TOO_LITTLE
    entry = Entry(FIRST + 3 * WEEK_MS, "41393")
    later = enter(entry, LIFE, (*TWO, entered.reading), entry.at_ms, inverter(82.0, 83.1, 83.0))
    assert [one.standing for one in (later.reading, *later.settled)] == [Standing.GOOD, Standing.GOOD]


def test_case_b5_the_same_digit_misread_twice_stays_a_question() -> None:
    entered = third("51371", 83.1)
    entry = Entry(FIRST + 3 * WEEK_MS, "51455")
    later = enter(entry, LIFE, (*TWO, entered.reading), entry.at_ms, inverter(82.0, 83.1, 83.0))
    assert later.reading.standing is Standing.ASKED
    assert later.settled == ()
