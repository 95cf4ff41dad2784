"""What readings alone tell: a fault is named, dated and sized; slips, slow things and healthy years accuse nobody."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.detect.made_readings import QUARTERS, SOUTH, at, energy, life, read, record, shares, typed
from watcher.alert.policy import POLICY
from watcher.align.window import Floats
from watcher.detect.readings_found import Cause, ReadingsJudged, Sureness, Untold
from watcher.detect.readings_only import judge_readings
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS
from watcher.domain.site import Inverter, SiteRecord, Storage
from watcher.expect.expectation import Basis
from watcher.expect.past_energy import PastEnergy

SUN = energy()
LIMITS = POLICY[Finding.OUTPUT_LOW].limits
KWH_A_YEAR = 3500.0


def judged(share: Floats, basis: Basis = Basis.SATELLITE, sun: PastEnergy = SUN) -> ReadingsJudged:
    return judge_readings(read(share, sun), life(), sun, basis, LIMITS)


def lost(from_quarter: float, share: float, to_quarter: float = QUARTERS, noise: float = 0.03) -> Floats:
    """Healthy quarters with a share of the output gone from some time on."""
    found = shares(noise)
    part = np.clip(
        np.minimum(np.arange(1, len(found) + 1), to_quarter) - np.maximum(np.arange(len(found)), from_quarter), 0, 1
    )
    return np.asarray(found * (1.0 - share * part))


def test_a_healthy_decade_has_a_level_and_no_finding() -> None:
    found = judged(shares())
    assert found.findings == found.past == ()
    assert found.doubtful == ()
    assert found.untold is None
    assert found.level == pytest.approx(0.92, abs=0.03)
    assert found.fading == pytest.approx(-0.006, abs=0.005)
    assert found.usual_year_wh == pytest.approx(0.92 * KWH_A_YEAR * 1000.0, rel=0.03)


@pytest.mark.parametrize("quarter", [6.0, 14.4, 22.0, 30.7, 36.2])
@pytest.mark.parametrize("share", [0.25, 0.5])
def test_what_is_dead_from_some_time_on_is_named_dated_and_sized(quarter: float, share: float) -> None:
    (found,) = judged(lost(quarter, share)).findings
    assert found.finding is Finding.OUTPUT_LOW
    assert found.sureness is Sureness.CERTAIN
    assert found.until_ms is None
    assert found.share == pytest.approx(share, abs=0.06)
    assert found.share_low < share < found.share_high
    assert found.onset_low_ms - 30 * DAY_MS <= at(quarter) <= found.onset_high_ms + 30 * DAY_MS
    assert abs(found.onset_ms - at(quarter)) < 45 * DAY_MS
    assert found.loss_low_wh < share * 0.92 * KWH_A_YEAR * 1000.0 < found.loss_high_wh


def test_a_register_that_stands_is_a_stopped_meter_or_a_plant_that_makes_nothing() -> None:
    (found,) = judged(lost(20.3, 1.0)).findings
    assert found.finding is Finding.METER_STALLED
    assert found.causes == (Cause.METER_STOPPED, Cause.NOTHING_MADE)
    assert abs(found.onset_ms - at(20.3)) < 45 * DAY_MS


def test_a_register_that_nearly_stands_is_one_too() -> None:
    (found,) = judged(lost(20.3, 0.97)).findings
    assert found.finding is Finding.METER_STALLED


@pytest.mark.parametrize("basis", [Basis.SATELLITE, Basis.NONE])
def test_a_register_that_never_moved_is_a_stop_and_no_question_about_the_record(basis: Basis) -> None:
    (found,) = judged(np.zeros(QUARTERS - 1), basis).findings
    assert (found.finding, found.sureness) == (Finding.METER_STALLED, Sureness.CERTAIN)
    assert found.onset_ms == at(0)
    assert found.loss_year_wh == pytest.approx(KWH_A_YEAR * 1000.0, rel=0.05)


def test_one_low_reading_at_the_end_waits_for_the_next() -> None:
    (found,) = judged(lost(38.0, 0.5)).findings
    assert found.sureness is Sureness.POSSIBLE


def test_a_register_that_hardly_moved_once_waits_for_the_next_reading() -> None:
    (found,) = judged(lost(38.0, 0.93)).findings
    assert (found.finding, found.sureness) == (Finding.METER_STALLED, Sureness.POSSIBLE)


def test_a_register_that_has_not_moved_is_told_at_once() -> None:
    (found,) = judged(lost(38.0, 1.0)).findings
    assert (found.finding, found.sureness) == (Finding.METER_STALLED, Sureness.LIKELY)


def test_what_was_put_right_is_past() -> None:
    found = judged(lost(12.0, 0.5, 18.0))
    assert found.findings == ()
    (past,) = found.past
    assert past.until_ms == at(18)
    assert past.share == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize("kwh", [-420.0, 330.0])
def test_a_slip_that_the_next_reading_undoes_is_a_doubtful_reading_and_no_fault(kwh: float) -> None:
    book = read(shares(), SUN)
    right = book[18].index_wh / 1000.0
    book[18] = typed(book[18].at_ms, right + kwh)
    found = judge_readings(book, life(), SUN, Basis.SATELLITE, LIMITS)
    assert found.findings == ()
    (doubtful,) = found.doubtful
    assert doubtful.reading == book[18]
    assert doubtful.low_wh <= right * 1000.0 <= doubtful.high_wh


def test_a_slip_is_named_beside_a_fault() -> None:
    book = read(lost(20.0, 0.5), SUN)
    book[9] = typed(book[9].at_ms, book[9].index_wh / 1000.0 + 300.0)
    found = judge_readings(book, life(), SUN, Basis.SATELLITE, LIMITS)
    assert [one.reading.at_ms for one in found.doubtful] == [book[9].at_ms]
    assert [one.finding for one in found.findings] == [Finding.OUTPUT_LOW]


@pytest.mark.parametrize("a_year", [0.005, 0.012, 0.02], ids=["ageing", "ageing fast", "lichen"])
def test_slow_things_accuse_nobody(a_year: float) -> None:
    years = np.arange(QUARTERS - 1) / 4.0
    found = judged(np.asarray(shares() * (1.0 - a_year * years)))
    assert found.findings == ()
    assert found.fading is not None
    assert found.fading < -0.5 * a_year


def test_a_tree_to_the_south_is_a_season_and_no_fault() -> None:
    turn = 2.0 * np.pi * (np.arange(QUARTERS - 1) + 0.5) / 4.0
    assert judged(np.asarray(shares() * (1.0 - 0.15 - 0.15 * np.cos(turn)))).findings == ()


@pytest.mark.parametrize(("share", "peak_w"), [(0.62, 2560.0), (1.4, 5770.0)])
def test_a_rating_far_from_what_is_made_is_a_question(share: float, peak_w: float) -> None:
    (found,) = judged(np.asarray(shares() * share / 0.92)).findings
    assert (found.finding, found.sureness) == (Finding.SITE_RECORD_WRONG, Sureness.QUESTION)
    assert found.likely_peak_w == pytest.approx(peak_w, rel=0.05)


def test_more_than_the_usual_from_some_time_on_is_a_question_about_panels_added() -> None:
    (found,) = judged(lost(16.0, -0.35)).findings
    assert (found.finding, found.sureness, found.causes) == (
        Finding.SITE_RECORD_WRONG,
        Sureness.QUESTION,
        (Cause.PANELS_ADDED,),
    )


def test_panels_on_file_that_give_nothing_are_a_question_about_the_record() -> None:
    """The record grew at quarter 16 and the output did not."""
    more = SOUTH.__class__("more", 35.0, 180.0, 2000.0, "inverter-1.input-2", from_ms=at(16))
    of = record(SOUTH, more)
    grown = PastEnergy(
        SUN.begin_ms,
        *(
            np.concatenate(([0.0], np.cumsum(np.diff(sums) * _grown(len(sums) - 1))))
            for sums in (SUN.expected_sums,) * 3
        ),
    )
    book = read(shares(), SUN)
    (found,) = judge_readings(book, life(of=of), grown, Basis.SATELLITE, LIMITS).findings
    assert found.sureness is Sureness.QUESTION
    assert Cause.DATE_OF_CHANGE_WRONG in found.causes


def _grown(hours: int) -> Floats:
    return np.where(SUN.begin_ms + 3_600_000 * np.arange(hours) >= at(16), 1.5, 1.0)


def test_a_poor_reference_takes_longer_and_is_not_wrong() -> None:
    noisy = lost(30.0, 0.25, noise=0.1)
    assert judged(noisy, Basis.NONE).findings == ()
    assert judged(lost(20.0, 0.5, noise=0.1), Basis.NONE).findings[0].finding is Finding.OUTPUT_LOW


@pytest.mark.parametrize(
    ("quarters", "why"), [(0, Untold.FEW_READINGS), (1, Untold.FEW_READINGS), (3, Untold.FEW_READINGS), (8, None)]
)
def test_a_year_of_readings_is_needed(quarters: int, why: Untold | None) -> None:
    assert judged(shares(quarters=quarters)).untold is why


def test_without_sunshine_nothing_is_told() -> None:
    late = PastEnergy(at(60), SUN.expected_sums, SUN.known_sums, SUN.clear_sums)
    assert judge_readings(read(shares(), SUN), life(), late, Basis.SATELLITE, LIMITS).untold is Untold.NO_SUNSHINE


def test_a_battery_on_the_panels_side_is_not_judged_against_the_sun() -> None:
    whole = record()
    stored = SiteRecord(whole.base, whole.arrays, (Inverter("inverter-1", 3680.0, storage=Storage.DC),), whole.meters)
    found = judge_readings(read(shares(), SUN), life(of=stored), SUN, Basis.SATELLITE, LIMITS)
    assert found.untold is Untold.BATTERY


def test_readings_of_every_week_are_judged_by_the_month() -> None:
    weeks = np.array([at(0) + n * 7 * DAY_MS for n in range(120)], dtype=np.int64)
    made = SUN.between(weeks[:-1], weeks[1:]).expected * 0.95
    index = np.floor(1000.0 + np.concatenate(([0.0], np.cumsum(made))) / 1000.0)
    book = [typed(int(when), float(kwh)) for when, kwh in zip(weeks, index, strict=True)]
    found = judge_readings(book, life(), SUN, Basis.SATELLITE, LIMITS)
    assert found.findings == ()
    assert all(held.end_ms - held.start_ms == 21 * DAY_MS for held in found.held)


def test_held_intervals_hold_the_healthy_between_their_bounds() -> None:
    found = judged(shares())
    inside = [held.low_wh <= held.made_wh <= held.high_wh for held in found.held]
    assert np.mean(inside) > 0.8


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), basis=st.sampled_from([Basis.SATELLITE, Basis.PEERS, Basis.NONE]))
def test_the_same_readings_give_the_same_answer_in_any_order_of_asking(seed: int, basis: Basis) -> None:
    share = shares(seed=seed)
    assert judged(share, basis) == judged(share, basis)


@settings(max_examples=25, deadline=None)
@given(kwh=st.lists(st.floats(0.0, 99_999.0), max_size=14))
def test_no_book_of_readings_is_too_odd_to_be_judged(kwh: list[float]) -> None:
    book = [typed(at(n), round(value)) for n, value in enumerate(kwh)]
    found = judge_readings(book, life(), SUN, Basis.SATELLITE, LIMITS)
    for one in (*found.findings, *found.past):
        assert np.isfinite([one.share, one.loss_year_wh, one.loss_low_wh, one.loss_high_wh, one.evidence]).all()
        assert one.loss_low_wh <= one.loss_year_wh <= one.loss_high_wh
        assert one.onset_low_ms <= one.onset_ms <= one.onset_high_ms
