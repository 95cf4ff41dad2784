"""What people say of meters, and the dates in their papers: told once, in time, and ended by the next good word."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest

from tests.detect.made_homes import METER, Home, broken, home_site
from tests.detect.made_lines import bench, stored, told
from watcher.catch_up import catch_up
from watcher.domain.alert import Alert, AlertState
from watcher.domain.event import Draft, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY, iso, local_day_of, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Meter, Payment, Scheme, Site
from watcher.store.ledger import Ledger

START = parse_iso("2026-06-10T00:00:00Z")
DAYS = 12
Raw = Mapping[str, Samples]


def home_of(site: Site | None = None, start_ms: int = START, days: int = DAYS) -> Home:
    return Home(site or home_site(), start_ms, days, broken(days * POINTS_A_DAY, 5, level=0.75))


def judged(home: Home, drafts: Sequence[Draft], raw: Raw | None = None, step_ms: int = 0) -> Ledger:
    """Each thing is heard of an hour after it was so. step_ms: how far each call of the worker reaches"""
    with stored(home, home.raw() if raw is None else raw) as store:
        case = bench(home, store)
        for draft in sorted(drafts, key=lambda draft: draft.at_ms):
            case.ledger.add_events("home-1", [draft], draft.at_ms + HOUR_MS)
        steps = range(home.start_ms + step_ms, home.end_ms, step_ms) if step_ms else ()
        for point_ms in (*steps, home.end_ms):
            for _ in catch_up(case, point_ms, from_ms=home.start_ms):
                pass
        return case.ledger


def shown_wh(home: Home, at_ms: int) -> float:
    """What the display shows, in whole kWh."""
    index = home.raw()["meter-1.energy_index"]
    return 1000.0 * ([v for t, v in zip(index.time_ms, index.value, strict=True) if t <= at_ms][-1] // 1000.0)


def typed(home: Home, day: float, off_wh: float = 0.0, **values: str | float) -> Draft:
    at_ms = home.start_ms + round(day * DAY_MS)
    told_of: dict[str, str | float] = {"energy_index": shown_wh(home, at_ms) + off_wh, **values}
    return Draft(EventKind.TYPED_READING, "meter-1", at_ms, told_of)


def only(alerts: Sequence[Alert], finding: Finding) -> Alert:
    assert [alert.finding for alert in alerts] == [finding]
    return alerts[0]


# Readings


@pytest.mark.parametrize("off_wh", [-1e6, 9e5, 1e7, 50_000.0])
def test_a_slip_is_seen_at_once_beside_a_register_and_ends_with_the_next_reading(off_wh: float) -> None:
    home = home_of()
    with judged(home, [typed(home, 2.6), typed(home, 5.6, off_wh), typed(home, 8.6)]) as ledger:
        alert = only(told(ledger), Finding.READING_DOUBTFUL)
        assert alert.onset_ms == START + round(5.6 * DAY_MS)
        assert alert.opened_ms is not None
        assert alert.opened_ms - alert.onset_ms <= HOUR_MS + 5 * MINUTE_MS
        assert float(alert.evidence["likely_kwh"]) == pytest.approx(shown_wh(home, alert.onset_ms) / 1000, abs=2.0)
        assert alert.state is AlertState.CLEARED


@pytest.mark.parametrize("days", [(2.6, 5.6, 8.6), (2.6, 2.7, 11.4)])
def test_readings_in_whole_kilowatt_hours_raise_nothing(days: Sequence[float]) -> None:
    home = home_of()
    with judged(home, [typed(home, day) for day in days]) as ledger:
        assert told(ledger) == []


def test_the_same_twice_is_no_slip() -> None:
    home = home_of()
    drafts = [typed(home, 2.6), typed(home, 5.6, 9e5), typed(home, 8.6, 9e5)]
    with judged(home, drafts) as ledger:
        assert only(told(ledger), Finding.READING_DOUBTFUL).state is AlertState.CLEARED


def test_two_slips_in_a_row_are_two_slips_and_no_drift() -> None:
    home = home_of()
    drafts = [typed(home, 1.6), typed(home, 3.6), typed(home, 5.6, 1e7), typed(home, 7.6, 9e5), typed(home, 9.6)]
    with judged(home, drafts) as ledger:
        assert only(told(ledger), Finding.READING_DOUBTFUL).state is AlertState.CLEARED


def test_a_display_that_runs_backwards_is_read_as_it_stands() -> None:
    home = home_of()
    home.counting[home.between("2026-06-14T00:00:00Z", "2026-06-18T00:00:00Z")] = -1.0
    with judged(home, [typed(home, 2.6), typed(home, 7.0), typed(home, 11.0)]) as ledger:
        assert {alert.finding for alert in told(ledger)} == {Finding.METER_REVERSED}


def test_case_b5_what_was_asked_about_raises_nothing() -> None:
    home = home_of()
    with judged(home, [typed(home, 2.6), typed(home, 5.6, 9e5, standing="asked"), typed(home, 8.6)]) as ledger:
        assert told(ledger) == []


@pytest.mark.parametrize(("off_wh", "found"), [(9e5, True), (-1e6, True), (0.0, False)])
def test_without_a_register_the_next_reading_tells(off_wh: float, found: bool) -> None:
    home = home_of()
    raw = {name: samples for name, samples in home.raw().items() if not name.startswith("meter-1")}
    with judged(home, [typed(home, 2.6), typed(home, 5.6, off_wh), typed(home, 8.6)], raw) as ledger:
        alerts = told(ledger, Finding.READING_DOUBTFUL)
        assert [iso(alert.onset_ms) for alert in alerts] == ([iso(START + round(5.6 * DAY_MS))] if found else [])


def test_a_display_that_nobody_can_read_is_told_until_somebody_can() -> None:
    home = home_of()
    blank = Draft(EventKind.TYPED_READING, "meter-1", START + 4 * DAY_MS, {"unreadable": 1.0, "who": "Jo"})
    with judged(home, [blank]) as ledger:
        assert only(told(ledger), Finding.METER_UNREADABLE).state is AlertState.OPEN
    with judged(home, [blank, typed(home, 8.0)]) as ledger:
        alert = only(told(ledger), Finding.METER_UNREADABLE)
        assert alert.cleared_ms is not None
        assert alert.cleared_ms - (START + 8 * DAY_MS) <= HOUR_MS + 5 * MINUTE_MS


# The display beside the register


@pytest.mark.parametrize(("share", "found"), [(0.08, True), (-0.08, True), (0.005, False)])
def test_a_display_that_moves_otherwise_than_what_is_read_is_told(share: float, found: bool) -> None:
    days = 30  # the first reading has left the window when the last is typed
    home = home_of(days=days)
    first = shown_wh(home, START + DAY_MS)
    drafts = []
    for day in (1.6, 11.6, 21.6, 29.0):
        gained = shown_wh(home, START + round(day * DAY_MS)) - first
        drafts.append(typed(home, day, 1000.0 * round(share * gained / 1000.0)))
    with judged(home, drafts) as ledger:
        alerts = told(ledger)
        assert [alert.finding for alert in alerts] == ([Finding.METER_DISPLAY_DRIFT] if found else [])
        for alert in alerts:
            assert float(alert.evidence["drift_percent"]) == pytest.approx(100 * share, abs=2.0)
            assert alert.opened_ms is not None
            assert alert.opened_ms <= START + 22 * DAY_MS, "by the third reading"


def test_proof_of_the_last_good_reading_is_kept_for_every_day() -> None:
    home = home_of()
    with judged(home, [typed(home, 5.6)]) as ledger:
        kept = {
            figure.day: figure.values
            for figure in ledger.figures("home-1", 0, 2**62)
            if figure.finding is Finding.METER_DISPLAY_DRIFT
        }
    assert len(kept) == DAYS - 1
    for day, values in kept.items():
        assert local_day_of(int(values["read_ms"]), home.site.zone) == day
        assert values["index_wh"] == pytest.approx(shown_wh(home, int(values["read_ms"])), abs=1000.0)
    assert sum("typed_ms" in values for values in kept.values()) == 1


def paid(scheme: Scheme, meter: Meter = METER) -> Site:
    return home_site(meters=(meter,), payment=Payment(scheme))


QUARTER = parse_iso("2026-06-20T00:00:00Z")


@pytest.mark.parametrize(
    ("scheme", "days", "asked"),
    [
        pytest.param(Scheme.FEED_IN, (), "2026-06-23", id="nobody looked"),
        pytest.param(Scheme.FEED_IN, (1.6,), "", id="somebody looked in time"),
        pytest.param(Scheme.FEED_IN, (6.6,), "2026-06-23", id="somebody looked afterwards"),
        pytest.param(Scheme.NONE, (), "", id="nobody is paid"),
    ],
)
def test_a_look_at_the_display_is_asked_for_at_the_end_of_a_quarter(
    scheme: Scheme, days: Sequence[float], asked: str
) -> None:
    home = home_of(paid(scheme), QUARTER)
    with judged(home, [typed(home, day) for day in days]) as ledger:
        alerts = told(ledger)
        assert [(iso(alert.onset_ms + HOUR_MS)[:10], alert.causes) for alert in alerts] == (
            [(asked, ("display-check-due",))] if asked else []
        )
        assert {mail.role for mail in ledger.mails("home-1")} <= {"installer"}
        assert [alert.state for alert in alerts] == ([AlertState.CLEARED if days else AlertState.OPEN] if asked else [])


# Papers


@pytest.mark.parametrize(("until", "found"), [("2026-09-15", True), ("2026-06-01", True), ("2027-01-01", False)])
def test_case_b2_a_reminder_comes_a_set_time_before_a_certificate_ends(until: str, found: bool) -> None:
    home = home_of(paid(Scheme.FEED_IN, replace(METER, certified_until=until)))
    with judged(home, []) as ledger:
        alerts = [alert for alert in told(ledger) if alert.finding is Finding.METER_CERTIFICATION_DUE]
        assert [alert.causes for alert in alerts] == ([("certificate-ends",)] if found else [])
        assert (
            {mail.role for mail in ledger.mails("home-1") if mail.alert.finding is alerts[0].finding} == {"installer"}
            if found
            else True
        )


def test_an_exchange_ends_the_reminder() -> None:
    home = home_of(paid(Scheme.EXPORT, replace(METER, certified_until="2026-07-01", serial="M-001")))
    at_ms = START + 5 * DAY_MS
    new = Draft(EventKind.METER_EXCHANGE, "meter-1", at_ms, {"serial": "M-002", "certified_until": "2041-12-31"})
    with judged(home, [new]) as ledger:
        (alert,) = told(ledger, Finding.METER_CERTIFICATION_DUE)
        assert alert.cleared_ms is not None
        assert alert.cleared_ms - at_ms <= DAY_MS


@pytest.mark.parametrize(("scheme", "found"), [(Scheme.FEED_IN, True), (Scheme.EXPORT, False)])
def test_the_two_yearly_verification_is_asked_for_where_a_tariff_is_paid(scheme: Scheme, found: bool) -> None:
    home = home_of(paid(scheme))
    last = Draft(EventKind.SEEN, "meter-1", parse_iso("2024-08-01T09:00:00Z"), {"what": "verified"})
    with judged(home, [last]) as ledger:
        alerts = told(ledger, Finding.METER_CERTIFICATION_DUE)
        assert [alert.causes for alert in alerts] == ([("verification-due",)] if found else [])


@pytest.mark.slow
def test_cutting_changes_nothing_about_what_is_typed() -> None:
    home = home_of(paid(Scheme.FEED_IN, replace(METER, certified_until="2026-09-15")), QUARTER)
    drafts = [typed(home, 1.6), typed(home, 3.9, 9e5), typed(home, 6.6), typed(home, 9.002)]
    outcomes = []
    for step_ms in (0, 7 * HOUR_MS + 5 * MINUTE_MS):
        with judged(home, drafts, step_ms=step_ms) as ledger:
            found = ledger.runs("home-1"), ledger.alerts("home-1"), ledger.figures("home-1", 0, 2**62)
            outcomes.append((*found, [mail.id for mail in ledger.mails("home-1")]))
    assert outcomes[0] == outcomes[1]
