"""A register that begins anew is told once, at the reading that decides it; an exchange on file is none, nor a dip."""

from __future__ import annotations

import pytest

from tests.detect.made_homes import METER, Home, broken, home_site
from tests.detect.made_lines import bench, judged, stored, told
from watcher.catch_up import catch_up
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples

START = parse_iso("2026-06-10T00:00:00Z")
NOON = "2026-06-11T12:00:00Z"


def home_of(days: int = 6) -> Home:
    return Home(home_site(), START, days, broken(days * POINTS_A_DAY, 3, level=0.65))


def falls(home: Home, by_wh: float, until: str = "") -> dict[str, Samples]:
    """The readings with a register that shows so much less since a noon, to an instant or for good."""
    raw = home.raw()
    index = raw["meter-1.energy_index"]
    first, last = parse_iso(NOON), parse_iso(until) if until else home.end_ms
    rows = zip(index.time_ms, index.value, strict=True)
    return {**raw, "meter-1.energy_index": Samples.of((t, v - by_wh if first <= t < last else v) for t, v in rows)}


def test_a_register_that_begins_anew_is_told_once_with_what_it_showed_before_and_after() -> None:
    home = home_of(8)
    with judged(home, falls(home, 18_450_000.0)) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.METER_RESTARTED
        assert alert.opened_ms is not None
        assert HOUR_MS <= alert.opened_ms - parse_iso(NOON) <= 2 * HOUR_MS, "a series grows for an hour to be one"
        assert alert.onset_low_ms <= parse_iso(NOON) <= alert.onset_high_ms
        assert float(alert.evidence["before_kwh"]) == pytest.approx(18_466.0, abs=20.0)
        assert 0.0 < float(alert.evidence["index_kwh"]) < 50.0
        assert alert.evidence["serial"] == METER.serial


@pytest.mark.parametrize("typed", ["2026-06-11T12:00:00Z", "2026-06-11T08:00:00Z", "2026-06-05T00:00:00Z"])
def test_an_exchange_that_was_announced_is_none(typed: str) -> None:
    home = home_of()
    at_ms = parse_iso(typed)
    with stored(home, falls(home, 18_450_000.0)) as store:
        case = bench(home, store)
        case.ledger.add_event("home-1", EventKind.METER_EXCHANGE, "meter-1", at_ms, {}, min(at_ms, START))
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        with case.ledger:
            assert told(case.ledger) == []


@pytest.mark.parametrize("by_wh", [200.0, 4_000.0, 18_450_000.0])
@pytest.mark.parametrize("hours", [0.2, 0.75])
def test_a_dip_that_is_taken_back_is_none(by_wh: float, hours: float) -> None:
    home = home_of(4)
    until_ms = parse_iso(NOON) + int(hours * HOUR_MS)
    index = falls(home, by_wh)["meter-1.energy_index"]
    whole = home.raw()["meter-1.energy_index"]
    rows = [(t, v if t < until_ms else w) for t, v, w in zip(index.time_ms, index.value, whole.value, strict=True)]
    with judged(home, {**home.raw(), "meter-1.energy_index": Samples.of(rows)}) as ledger:
        assert told(ledger, Finding.METER_RESTARTED) == []


def test_one_that_runs_backwards_has_not_begun_anew() -> None:
    home = home_of()
    home.counting[home.between(NOON)] = -1.0
    with judged(home) as ledger:
        assert {alert.finding for alert in told(ledger)} == {Finding.METER_REVERSED}


def test_it_is_closed_after_some_days_in_which_the_register_counts_on() -> None:
    home = home_of(8)
    with judged(home, falls(home, 18_450_000.0)) as ledger:
        (alert,) = told(ledger)
        assert alert.cleared_ms is not None
        assert alert.cleared_ms - parse_iso(NOON) <= 5 * DAY_MS
