"""The scorer on made-up truths and alerts whose score can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.bench.trial.__main__ import wrong_seed
from tests.bench.trial.calendar import Year
from tests.bench.trial.intervals import poisson_interval
from tests.bench.trial.judging import Judged, Said, keep, kept
from tests.bench.trial.matching import Standing, place
from tests.bench.trial.naive import naive
from tests.bench.trial.oracle import LIMIT, TABLE, seen_wh
from tests.bench.trial.plan import Basis, SitePlan
from tests.bench.trial.roofs import Kind
from tests.bench.trial.score import score
from tests.bench.trial.table import table
from tests.bench.trial.truth import Wrong
from watcher.domain.instant import DAY_MS, parse_iso

BEGIN_MS = parse_iso("2025-01-01T00:00:00Z")
YEAR = Year(BEGIN_MS, 100)
DAILY_WH = 2880.0


def wrong(finding: str, first_day: int, days: int, lost_share: float, kind: str = "energy", **more: object) -> Wrong:
    lost = np.full(288 * days, lost_share * DAILY_WH / 288.0)
    one = Wrong(finding, "inverter-1", (), (), kind, 288 * first_day, 288 * (first_day + days), 0, "", lost)
    return replace(one, **more)  # type: ignore[arg-type]


def said(finding: str, opened_day: float, closed_day: float | None, subject: str = "inverter-1") -> Said:
    opened_ms = BEGIN_MS + round(opened_day * DAY_MS)
    closed_ms = None if closed_day is None else BEGIN_MS + round(closed_day * DAY_MS)
    return Said(finding, subject, (), opened_ms - DAY_MS, opened_ms, closed_ms, 0.0, 0.0, 0.0)


def judged(wrongs: tuple[Wrong, ...], alerts: tuple[Said, ...], ratio: np.ndarray | None = None) -> Judged:
    plan = SitePlan(0, 1, Kind.PLAIN, Basis.SENSOR, 0, YEAR, 100.0, False, () if not wrongs else _A_FAULT)
    share = np.ones(YEAR.days) if ratio is None else ratio
    first = date(2025, 1, 1)
    days = np.array([
        [(first + timedelta(days=n)).toordinal(), share[n] * DAILY_WH, share[n] * DAILY_WH, DAILY_WH, 1.0]
        for n in range(YEAR.days)
    ])  # fmt: skip
    healthy = np.full(YEAR.days, DAILY_WH)
    return Judged(plan, alerts, wrongs, days, share * DAILY_WH, healthy, False, 1.0)


_A_FAULT = (object(),)  # type: ignore[var-annotated]


def test_energy_counts_from_opening_to_closing_and_not_before_the_fault() -> None:
    fault = wrong("output-low", 20, 10, 0.5)
    late = score([judged((fault,), (said("output-low", 24, 28),))])
    assert late["energy"]["all"]["covered"] == pytest.approx(0.4, abs=0.002)
    standing = score([judged((fault,), (said("output-low", 15, 40),))])
    assert standing["energy"]["all"]["covered"] == 0.0, "it stood before the fault began"
    assert standing["false_alerts"]["all"]["count"] == 1


def test_an_alert_of_another_name_or_device_covers_nothing() -> None:
    fault = wrong("output-low", 20, 10, 0.5)
    for alert in (said("meter-stalled", 22, None, "meter-1"), said("output-low", 22, None, "inverter-2")):
        found = score([judged((fault,), (alert,))])
        assert found["energy"]["all"]["covered"] == 0.0
        assert found["false_alerts"]["all"]["count"] == 0, "something was wrong: misnamed, not false"
        assert sum(found["false_alerts"]["misnamed"].values()) == 1


def test_a_companion_covers_energy_but_is_not_the_exact_name() -> None:
    fault = wrong("string-open", 20, 10, 0.5, companions=("output-low",))
    found = score([judged((fault,), (said("output-low", 25, 30),))])
    assert found["energy"]["all"]["covered"] == pytest.approx(0.5, abs=0.002)
    assert found["cause"]["exact_name"] == 0.0


@pytest.mark.parametrize(
    ("opened_day", "standing"),
    [(19.9, Standing.FALSE), (20.0, Standing.RIGHT), (31.5, Standing.RIGHT), (32.5, Standing.FALSE)],
)
def test_an_alert_is_right_from_onset_to_two_days_after_the_end(opened_day: float, standing: Standing) -> None:
    one = judged((wrong("output-low", 20, 10, 0.5),), (said("output-low", opened_day, None),))
    assert [found.standing for found in place(one)] == [standing]


def test_specificity_is_days_without_an_open_alert() -> None:
    found = score([judged((), (said("output-low", 10.0, 15.0),)), judged((), ())])
    assert found["specificity"]["healthy_sites"] == pytest.approx(1.0 - 5.0 / 200.0)


def test_days_at_fault_do_not_count_for_specificity() -> None:
    found = score([judged((wrong("output-low", 20, 10, 0.5),), (said("output-low", 20, 30),))])
    assert found["specificity"] == {"healthy_sites": None, "all_fault_free_days": 1.0}


def test_waiting_is_from_onset_and_what_was_never_found_waits_for_ever() -> None:
    faults = tuple(wrong("output-low", day, 5, 0.5, size=50) for day in (10, 30, 50))
    found = score([judged(faults, (said("output-low", 12, 15), said("output-low", 34, 35)))])
    assert found["waiting_days"]["output-low 50 %"] == {"faults": 3, "found": 2, "median": 4.0}


def test_a_loss_interval_is_held_against_the_truth_up_to_the_alerts_end() -> None:
    fault = wrong("output-low", 20, 10, 0.5)
    alert = replace(said("output-low", 22, 30), loss_wh=18_000.0, loss_low_wh=10_000.0, loss_high_wh=20_000.0)
    assert score([judged((fault,), (alert,))])["loss"] == {"alerts": 1, "inside": 1.0, "median_error": 0.25}


def test_the_naive_script_opens_on_the_third_low_day_and_closes_on_a_good_one() -> None:
    ratio = np.ones(YEAR.days)
    ratio[20:30] = 0.5
    alerts = naive(judged((), (), ratio))
    assert [(one.finding, (one.opened_ms - BEGIN_MS) / DAY_MS, (one.closed_ms or 0) / DAY_MS) for one in alerts] == [
        ("output-low", 23.125, (BEGIN_MS / DAY_MS) + 31.125)
    ]


def test_the_oracle_opens_when_its_evidence_is_full() -> None:
    sigma = 0.1
    sigmas = dict.fromkeys(TABLE, (sigma, sigma, sigma))
    one = judged((wrong("output-low", 20, 10, 0.18),), ())
    a_day = 0.5 * (np.log(1.0 - 0.18) / sigma) ** 2
    needed_days = LIMIT / a_day
    assert 1.0 < needed_days < 10.0
    assert seen_wh(one, one.wrongs[0], sigmas) == pytest.approx(0.18 * DAILY_WH * (10.0 - needed_days))
    assert seen_wh(one, wrong("output-low", 20, 10, 0.01), sigmas) == 0.0


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # Exact 95 % limits (Garwood 1936; the usual table, from memory).
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (6, 2.202, 13.06), (18, 10.67, 28.45)],
)
def test_poisson_limits_are_the_published_ones(count: int, low: float, high: float) -> None:
    assert poisson_interval(count) == pytest.approx((low, high), rel=2e-3, abs=1e-6)


def test_what_was_judged_is_kept_whole(tmp_path: Path) -> None:
    fault = wrong("output-low", 20, 10, 0.5, size=50, variant="v", causes=("a", "b"), companions=("string-open",))
    one = judged((fault,), (said("output-low", 22, None),))
    keep(tmp_path / "one.npz", one)
    again = kept(tmp_path / "one.npz", one.plan)
    assert again.said == one.said
    assert np.array_equal(again.wrongs[0].lost_wh, fault.lost_wh)
    assert replace(again.wrongs[0], lost_wh=fault.lost_wh) == fault
    assert score([again]) == score([one])


@pytest.mark.parametrize(
    ("seed", "final", "may"),
    [(1, False, True), (999, False, True), (1000, True, True), (1000, False, False), (7, True, False)],
)
def test_seeds_for_tuning_and_for_final_figures_are_kept_apart(seed: int, final: bool, may: bool) -> None:
    assert (wrong_seed(seed, final) == "") is may


def test_the_page_names_every_part_of_the_score() -> None:
    text = table(score([judged((wrong("output-low", 20, 10, 0.5, size=50),), (said("output-low", 22, 31),))]))
    for part in (
        "lost energy",
        "oracle",
        "naive",
        "false alerts",
        "specificity",
        "median",
        "cause",
        "loss",
        "not looked for",
    ):
        assert part in text
