"""What an inverter says of danger: one word is enough, nothing but an inspection ends it, and no hour is let pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import EAST, SOUTH, WEST, Home, home_site, samples
from tests.detect.made_lines import bench, judged, rows_of, stored, told
from watcher.alert.policy import POLICY
from watcher.align.window import Floats
from watcher.catch_up import catch_up
from watcher.detect.states import Bit, InputBit
from watcher.domain.alert import Alert, AlertClass, AlertState, ClosedAs, MailReason, Severity
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import GRACE_MS, GRID_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Contact, Inverter, Role, Site, Storage
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

START = parse_iso("2026-06-09T00:00:00Z")
NOON = parse_iso("2026-06-10T12:00:00Z")
EVERYONE = tuple(Contact(role, f"{role}@example.org") for role in Role)
SAFETY = (
    Finding.EARTH_FAULT,
    Finding.ARC_FAULT,
    Finding.INVERTER_OVERHEATING,
    Finding.SUPPLY_VOLTAGE_DANGER,
    Finding.BATTERY_ALARM,
)


def home_of(days: int = 3, site: Site | None = None) -> Home:
    home = Home(site or home_site(EAST, WEST, contacts=EVERYONE), START, days)
    home.awake[:] = True
    return home


def with_column(home: Home, channel: str, column: Floats) -> dict[str, Samples]:
    return home.raw() | {channel: samples(home.times, np.where(home.awake, column, np.nan))}


def words(home: Home, at: Mapping[str, int]) -> Floats:
    """Event words: 0 but in the interval that begins at these instants."""
    column = np.zeros(home.points)
    for instant, word in at.items():
        column[(parse_iso(instant) - home.start_ms) // GRID_MS] = float(word)
    return column


def with_battery() -> Site:
    return home_site(EAST, WEST, contacts=EVERYONE, inverters=(Inverter("inverter-1", 3680.0, storage=Storage.AC),))


@pytest.mark.parametrize(
    ("bit", "part", "finding"),
    [
        pytest.param(Bit.EARTH_FAULT, "", Finding.EARTH_FAULT, id="earth fault"),
        pytest.param(InputBit.EARTH_FAULT, "input-2.", Finding.EARTH_FAULT, id="earth fault at an input"),
        pytest.param(Bit.ARC_DETECTED, "", Finding.ARC_FAULT, id="arc, by a register map"),
        pytest.param(InputBit.ARC_DETECTED, "input-1.", Finding.ARC_FAULT, id="arc at an input"),
        pytest.param(Bit.OVER_TEMPERATURE, "", Finding.INVERTER_OVERHEATING, id="too hot"),
        pytest.param(Bit.BATTERY_ALARM, "", Finding.BATTERY_ALARM, id="the battery's own alarm"),
    ],
)
def test_one_word_opens_at_once_and_everyone_is_told(bit: int, part: str, finding: Finding) -> None:
    home = home_of(site=with_battery())
    raw = with_column(home, f"inverter-1.{part}event_bits", words(home, {"2026-06-10T12:00:00Z": 1 << bit}))
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.subject, alert.state) == (finding, "inverter-1", AlertState.OPEN)
        assert alert.opened_ms == NOON + GRID_MS
        assert alert.onset_low_ms <= NOON <= alert.onset_high_ms == NOON + GRID_MS
        assert alert.evidence["times_said"] == 1.0
        opened = [mail for mail in ledger.mails("home-1") if mail.reason is MailReason.OPENED]
        assert {mail.role for mail in opened} == set(Role)
        assert {mail.decided_ms for mail in opened} == {NOON + GRID_MS}


@pytest.mark.parametrize(
    ("word", "why"),
    [
        pytest.param(0, "no bit", id="no bit"),
        pytest.param(1 << Bit.FUSE_BLOWN, "of no danger", id="another bit"),
        pytest.param(0x0003FFFF, "a register misread", id="all the bits there are"),
    ],
)
def test_what_is_no_word_of_danger_raises_nothing(word: int, why: str) -> None:
    home = home_of(site=with_battery())
    raw = with_column(home, "inverter-1.event_bits", words(home, {"2026-06-10T12:00:00Z": word}))
    with judged(home, raw) as ledger:
        assert told(ledger) == [], why


def hot(home: Home, *columns: tuple[str, str, float], usual: float) -> Floats:
    column = np.full(home.points, usual)
    for first, last, value in columns:
        column[home.between(first, last)] = value
    return column


@pytest.mark.parametrize(
    ("channel", "usual", "value", "minutes", "finding"),
    [
        ("temp_heatsink", 55.0, 97.0, 10, Finding.INVERTER_OVERHEATING),
        ("temp_heatsink", 55.0, 97.0, 5, None),
        ("temp_heatsink", 55.0, 84.0, 120, None),  # derating
        ("insulation_resistance", 900e3, 12e3, 10, Finding.EARTH_FAULT),
        ("insulation_resistance", 900e3, 12e3, 5, None),
        ("insulation_resistance", 900e3, 0.0, 60, None),  # not measured yet
        ("insulation_resistance", 900e3, 80e3, 60, None),  # damp, and above the standard's least
        ("l1.ac_voltage", 241.0, 281.0, 10, Finding.SUPPLY_VOLTAGE_DANGER),
        ("l1.ac_voltage", 241.0, 281.0, 5, None),
        ("l1.ac_voltage", 241.0, 265.0, 60, None),  # a grid trip's business
        ("l1.ac_voltage", 241.0, 655.3, 60, None),  # no voltage of a house
    ],
)
def test_what_an_instrument_of_the_inverter_reads_must_stand_for_two_intervals(
    channel: str, usual: float, value: float, minutes: int, finding: Finding | None
) -> None:
    home = home_of()
    column = hot(
        home, ("2026-06-10T12:00:00Z", f"2026-06-10T{12 + minutes // 60}:{minutes % 60:02d}:00Z", value), usual=usual
    )
    with judged(home, with_column(home, f"inverter-1.{channel}", column)) as ledger:
        assert [alert.finding for alert in told(ledger, *SAFETY)] == ([] if finding is None else [finding])


def test_phases_far_apart_name_the_neutral() -> None:
    home = home_of()
    raw = home.raw()
    for phase, volts in ((1, 268.0), (2, 231.0), (3, 203.0)):
        column = hot(home, ("2026-06-10T12:00:00Z", "2026-06-10T12:20:00Z", volts), usual=240.0)
        raw |= {f"inverter-1.l{phase}.ac_voltage": samples(home.times, column)}
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.SUPPLY_VOLTAGE_DANGER, ("neutral-lost",))
        assert alert.evidence["voltage_v"] == 268.0


@pytest.mark.parametrize(
    ("at", "dangerous"),
    [
        pytest.param("2026-06-10T12:00:00Z", False, id="while it feeds in: it may have raised the voltage itself"),
        pytest.param("2026-06-10T01:00:00Z", True, id="at night: the mains alone"),
    ],
)
def test_over_voltage_is_dangerous_where_nothing_was_fed_in(at: str, dangerous: bool) -> None:
    home = home_of()
    raw = with_column(home, "inverter-1.event_bits", words(home, {at: 1 << Bit.AC_OVER_VOLTAGE}))
    with judged(home, raw) as ledger:
        assert [alert.finding for alert in told(ledger)] == ([Finding.SUPPLY_VOLTAGE_DANGER] if dangerous else [])


def said_at(home: Home, *instants: str) -> dict[str, Samples]:
    return with_column(home, "inverter-1.event_bits", words(home, dict.fromkeys(instants, 1 << Bit.EARTH_FAULT)))


def inspected(
    home: Home,
    raw: Mapping[str, Samples],
    when: str,
    values: Mapping[str, str | float] | None = None,
    what: str = "inverter-1",
) -> Ledger:
    """Judged up to an instant, the inspection recorded then, and judged on."""
    at_ms = parse_iso(when)
    with stored(home, raw) as store:
        case = bench(home, store)
        for _ in catch_up(case, through_ms=at_ms, from_ms=home.start_ms):
            pass
        case.ledger.add_event("home-1", EventKind.INSPECTED, what, at_ms, values or {"who": "A. Fitter"}, at_ms)
        for _ in catch_up(case):
            pass
        return case.ledger


def test_good_words_for_weeks_end_nothing() -> None:
    home = home_of(9)
    with judged(home, said_at(home, "2026-06-10T07:00:00Z")) as ledger:
        (alert,) = told(ledger)
        assert alert.state is AlertState.OPEN
        assert alert.ok_ms == 0
        reasons = [mail.reason for mail in ledger.mails("home-1") if mail.role == Role.OWNER]
        assert reasons == [MailReason.OPENED, MailReason.REMINDER, MailReason.REMINDER]


def test_an_inspection_ends_it_and_everyone_hears_so() -> None:
    home = home_of(4)
    with inspected(home, said_at(home, "2026-06-10T07:00:00Z"), "2026-06-11T14:00:00Z") as ledger:
        (alert,) = told(ledger)
        assert (alert.state, alert.closed_as) == (AlertState.CLEARED, ClosedAs.INSPECTED)
        assert alert.cleared_ms is not None
        assert 0 <= alert.cleared_ms - parse_iso("2026-06-11T14:00:00Z") <= 2 * GRID_MS
        over = [mail for mail in ledger.mails("home-1") if mail.reason is MailReason.CLEARED]
        assert {mail.role for mail in over} == set(Role)


def test_what_is_said_after_the_inspection_is_a_new_alert() -> None:
    home = home_of(4)
    raw = said_at(home, "2026-06-10T07:00:00Z", "2026-06-12T07:00:00Z")
    with inspected(home, raw, "2026-06-11T14:00:00Z") as ledger:
        first, second = told(ledger)
        assert first.closed_as is ClosedAs.INSPECTED
        assert (second.state, second.opened_ms) == (AlertState.OPEN, parse_iso("2026-06-12T07:05:00Z"))


@pytest.mark.parametrize(
    ("what", "values"),
    [
        pytest.param("inverter-2", {}, id="another device"),
        pytest.param("inverter-1", {"alert": "home-1/arc-fault/inverter-1@20260610T0705Z"}, id="another alert"),
    ],
)
def test_an_inspection_of_something_else_ends_nothing(what: str, values: Mapping[str, str | float]) -> None:
    home = home_of(4)
    raw = said_at(home, "2026-06-10T07:00:00Z")
    with inspected(home, raw, "2026-06-11T14:00:00Z", {"who": "A. Fitter", **values}, what) as ledger:
        (alert,) = told(ledger)
        assert alert.state is AlertState.OPEN


def test_an_inspection_recorded_for_an_alert_ends_that_one_of_any_class() -> None:
    home = home_of(4)
    home.share["inverter-1.input-1"][home.between("2026-06-10T09:00:00Z")] = 0.0
    home.share["inverter-1.input-2"][home.between("2026-06-10T09:00:00Z")] = 0.0
    with judged(home) as ledger:
        (alert,) = told(ledger)
    with inspected(home, home.raw(), "2026-06-11T21:30:00Z", {"who": "A. Fitter", "alert": alert.id}) as ledger:
        first, second = told(ledger)
        assert (first.finding, first.closed_as) == (Finding.NO_GENERATION, ClosedAs.INSPECTED)
        assert second.state is AlertState.OPEN, "it still makes nothing the next morning"


def test_an_inverter_taken_off_the_file_leaves_its_safety_alert_standing_until_it_is_inspected() -> None:
    home = home_of(4)
    gone = replace(home.site, inverters=(), arrays=(), meters=())
    with stored(home, said_at(home, "2026-06-10T07:00:00Z")) as store:
        case = bench(home, store)
        for _ in catch_up(case, through_ms=parse_iso("2026-06-11T00:00:00Z"), from_ms=home.start_ms):
            pass
        kept = home.site
        home.site = gone
        case.ledger.put_version("home-1", "without", parse_iso("2026-06-11T00:00:00Z"))
        for _ in catch_up(case, through_ms=parse_iso("2026-06-12T00:00:00Z")):
            pass
        (alert,) = told(case.ledger)
        assert alert.state is AlertState.OPEN
        at_ms = parse_iso("2026-06-12T00:00:00Z")
        case.ledger.add_event("home-1", EventKind.INSPECTED, "inverter-1", at_ms, {"who": "A. Fitter"}, at_ms)
        for _ in catch_up(case):
            pass
        (alert,) = told(case.ledger)
        assert alert.closed_as is ClosedAs.INSPECTED
        home.site = kept


def test_a_word_that_came_late_is_told_when_its_day_settles_anew() -> None:
    home = home_of(4)
    raw = said_at(home, "2026-06-10T07:00:00Z")
    cut = (parse_iso("2026-06-10T06:00:00Z"), parse_iso("2026-06-10T09:00:00Z"))
    rows = rows_of(raw)
    late = [row for row in rows if cut[0] <= row.time_ms < cut[1] and row.channel.startswith("inverter-1")]
    came_ms = parse_iso("2026-06-11T10:00:00Z")
    store = SqliteReadings(":memory:")
    store.append_history("home-1", [row for row in rows if row not in late], home.start_ms + MINUTE_MS)
    with store:
        store.append({"home-1": late}, came_ms)
        store.append({"home-1": []}, home.end_ms + GRACE_MS)
        case = bench(home, store)
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        (alert,) = told(case.ledger, Finding.EARTH_FAULT)
        assert alert.opened_ms is not None
        assert came_ms < alert.opened_ms <= came_ms + 3 * HOUR_MS
        assert alert.onset_high_ms == parse_iso("2026-06-10T07:05:00Z")


def test_what_wet_mornings_cost_is_counted_and_no_second_alert_tells_it() -> None:
    home = home_of(5, home_site(SOUTH, contacts=EVERYONE))
    column = np.zeros(home.points)
    for day in (10, 12):
        off = home.between(f"2026-06-{day}T04:00:00Z", f"2026-06-{day}T09:20:00Z")
        home.share["inverter-1.input-1"][off] = 0.0
        column[np.flatnonzero(off)[::7]] = float(1 << Bit.EARTH_FAULT)
    lost = home.possible.by_subject["inverter-1"].expected
    missed = [home.between(f"2026-06-{day}T04:00:00Z", f"2026-06-{day}T09:20:00Z") for day in (10, 12)]
    wh = sum(float(lost[part].sum()) / 12.0 for part in missed)
    with judged(home, with_column(home, "inverter-1.event_bits", column)) as ledger:
        alerts: list[Alert] = told(ledger)
        assert [alert.finding for alert in alerts] == [Finding.EARTH_FAULT]
        assert alerts[0].loss_mwh / 1000.0 == pytest.approx(wh, rel=0.02)
        assert alerts[0].evidence["mornings"] == 2.0
        assert alerts[0].loss_low_mwh < alerts[0].loss_mwh < alerts[0].loss_high_mwh
        assert [alert.state for alert in ledger.alerts("home-1") if alert.finding is Finding.NO_GENERATION] == []


def test_all_of_them_are_urgent() -> None:
    for finding in SAFETY:
        assert (POLICY[finding].severity, POLICY[finding].alert_class) == (Severity.URGENT, AlertClass.SAFETY)
        assert POLICY[finding].hold_ms == 0
