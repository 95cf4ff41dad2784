"""Case B2: a meter is replaced, announced (P1) or not (P2): no negative energy, one question, and the total goes on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.detect.made_homes import METER, Home, broken, home_site
from tests.detect.made_lines import bench, stored, told
from watcher.catch_up import Case, catch_up
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding, Verdict
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.store.ledger import Ledger

START = parse_iso("2026-03-08T00:00:00Z")
OUT, IN = parse_iso("2026-03-14T10:20:00Z"), parse_iso("2026-03-14T11:05:00Z")
DAYS = 14
OLD_WH, NEW_WH = 23_871_400.0, 200.0


def exchanged_home(lost_share: float = 0.0, days: int = DAYS, lost_since: str = "") -> tuple[Home, dict[str, Samples]]:
    """A home whose meter shows 23,871.4 until 10:20 and 0.2 from 11:05, and what it made meanwhile went unmetered.

    lost_share: what the new meter misses. lost_since: since when it misses half
    """
    site = home_site(meters=(replace(METER, serial="M-001"),))
    home = Home(site, START, days, broken(days * POINTS_A_DAY, 6, level=0.75))
    home.counting[home.times >= IN] = 1.0 - lost_share
    if lost_since:
        home.counting[home.between(lost_since)] = 0.5
    raw = home.raw()
    index = raw["meter-1.energy_index"]
    rows = list(zip(index.time_ms, index.value, strict=True))
    last = [value for at_ms, value in rows if at_ms <= OUT][-1]
    first = next(value for at_ms, value in rows if at_ms >= IN)
    shown = [(at_ms, OLD_WH - last + value) for at_ms, value in rows if at_ms <= OUT]
    shown += [(at_ms, NEW_WH + value - first) for at_ms, value in rows if at_ms >= IN]
    return home, {**raw, "meter-1.energy_index": Samples.of(shown)}


def judged(home: Home, raw: dict[str, Samples], *, announced_ms: int = 0, answered_ms: int = 0) -> Ledger:
    with stored(home, raw) as store:
        case = bench(home, store)
        for received_ms in filter(None, (announced_ms, answered_ms)):
            _exchange(case, received_ms)
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        return case.ledger


def _exchange(case: Case, received_ms: int) -> None:
    told_of = {
        "what": "exchanged", "final_index": OLD_WH, "final_serial": "M-001", "opened_ms": float(IN),
        "opening_index": NEW_WH, "serial": "M-002", "certified_until": "2041-12-31",
    }  # fmt: skip
    case.ledger.add_event("home-1", EventKind.METER_EXCHANGE, "meter-1", OUT, told_of, received_ms)


def compared(ledger: Ledger) -> dict[int, Verdict]:
    """By the day of the month on which it was said, what came of comparing."""
    runs = [run for run in ledger.runs("home-1") if run.finding is Finding.METER_MISMATCH]
    return {(run.first_ms - START) // DAY_MS + 8: run.verdict for run in runs if run.verdict is not Verdict.UNKNOWN}


def test_case_b2_p1_an_announced_exchange_raises_nothing_and_is_compared_on() -> None:
    home, raw = exchanged_home()
    with judged(home, raw, announced_ms=IN + HOUR_MS) as ledger:
        assert told(ledger) == []
        assert max(compared(ledger)) > 16
        assert all(day.metered_wh is None or day.metered_wh >= 0.0 for day in ledger.days("home-1"))


def test_case_b2_p2_one_question_with_both_figures_and_no_negative_energy() -> None:
    home, raw = exchanged_home()
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.METER_RESTARTED
        assert float(alert.evidence["before_kwh"]) == pytest.approx(23_871.4)
        assert float(alert.evidence["index_kwh"]) == pytest.approx(0.2, abs=0.05)
        assert all(day.metered_wh is None or day.metered_wh >= 0.0 for day in ledger.days("home-1"))


@pytest.mark.parametrize("answered_ms", [0, IN + 3 * DAY_MS], ids=["not answered", "answered after three days"])
def test_case_b2_p2_comparison_waits_for_the_answer(answered_ms: int) -> None:
    """The new meter misses half of what is made: nothing is said of that while nobody knows which meter it is."""
    home, raw = exchanged_home(lost_share=0.5)
    with judged(home, raw, answered_ms=answered_ms) as ledger:
        found = told(ledger, Finding.METER_MISMATCH)
        if not answered_ms:
            assert found == []
            assert max(compared(ledger)) <= 14
        else:
            assert found[0].opened_ms is not None
            assert answered_ms < found[0].opened_ms < answered_ms + 2 * DAY_MS
            assert found[0].onset_ms < answered_ms, "the answer holds for the days gone by"


@pytest.mark.slow
@pytest.mark.parametrize("announced", [True, False])
def test_case_b2_another_meter_has_another_history(announced: bool) -> None:
    """The new meter counts 3.5 % less, which class B and an inverter's counter allow."""
    days, on = 26, parse_iso("2026-03-24T08:00:00Z")
    home = Home(home_site(meters=(replace(METER, serial="M-001"),)), START, days, broken(days * POINTS_A_DAY, 6))
    home.counting[home.times >= on] = 0.965
    with stored(home, home.raw()) as store:
        case = bench(home, store)
        if announced:
            values = {"what": "exchanged", "serial": "M-002"}
            case.ledger.add_event("home-1", EventKind.METER_EXCHANGE, "meter-1", on, values, on)
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        with case.ledger as ledger:
            assert [alert.finding for alert in told(ledger)] == ([] if announced else [Finding.METER_MISMATCH])


@pytest.mark.slow
def test_case_b2_where_nobody_ever_answers_it_is_compared_again_after_weeks() -> None:
    home, raw = exchanged_home(days=48, lost_since="2026-04-18T00:00:00Z")
    with judged(home, raw) as ledger:
        alert, mismatch = told(ledger)
        assert (alert.finding, mismatch.finding) == (Finding.METER_RESTARTED, Finding.METER_MISMATCH)
        assert mismatch.onset_ms >= parse_iso("2026-04-16T00:00:00Z")
