"""A ratio that moves: how soon it is told and how seldom for nothing, on seeded pairs with usual registers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.detect.made_homes import METER, Home, broken, home_site
from tests.detect.made_lines import judged, told
from watcher.alert.policy import POLICY
from watcher.detect.meter_ratio import LATEST_DAYS, Bounds, CleanDay, Moved, Now, causes, history, moved, quantum_wh
from watcher.detect.usual_days import without
from watcher.domain.alert import ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import POINTS_A_DAY, parse_iso

LIMITS = POLICY[Finding.METER_MISMATCH].limits
BOUNDS = Bounds(
    *(LIMITS[name] for name in ("moved_errors", "moved_least", "day_errors", "day_least", "near_share", "sure_errors"))
)
STEPS = [
    pytest.param(1.0, 10.0, id="fine registers"),
    pytest.param(100.0, 100.0, id="usual"),
    pytest.param(1000.0, 100.0, id="whole kWh"),
]


def _pair(seed: int, days: int, meter_step: float, inverter_step: float, counts: dict[int, float]) -> list[CleanDay]:
    """Days of two registers. counts: from which day on the meter counts which share."""
    chance = np.random.default_rng(seed)
    gain = 1.0 + 0.02 * chance.standard_normal()
    bend = 0.005 * chance.uniform(-1.0, 1.0)
    start = int(chance.integers(0, 365))
    meter = inverter = 1e6 * chance.uniform()
    found, share = [], 1.0
    for day in range(days):
        share = counts.get(day, share)
        summer = 0.5 - 0.5 * math.cos(2.0 * math.pi * (start + day) / 365.25)
        wh = (2_000.0 + 18_000.0 * summer) * float(chance.beta(1.6, 1.4))
        before = (meter // meter_step * meter_step, inverter // inverter_step * inverter_step)
        meter += wh * share
        inverter += wh * gain * (1.0 + bend * summer + 0.004 * chance.standard_normal())
        after = (meter // meter_step * meter_step, inverter // inverter_step * inverter_step)
        found.append(CleanDay(day, after[0] - before[0], after[1] - before[1], joins=True))
    return found


def _said(days: list[CleanDay], meter_step: float, inverter_step: float) -> dict[int, Moved | None]:
    """What every day says once there is a history; days on which it is told belong to none."""
    step = quantum_wh(meter_step, inverter_step, 1)
    known: list[CleanDay] = []
    well = 0
    said: dict[int, Moved | None] = {}
    for one in days:
        known.append(one)
        before = history(known, one.day, step)
        if before is None:
            continue
        said[one.day] = change = moved([kept for kept in known if kept.day >= well], before, step, BOUNDS)
        if change is not None and change.now is Now.RECOVERED:
            well = change.first
        elif change is not None:
            known = without(known, change.first if change.now is Now.TOLD else one.day)
    return said


def _told(said: dict[int, Moved | None]) -> dict[int, Moved]:
    return {day: change for day, change in said.items() if change is not None and change.now is Now.TOLD}


@pytest.mark.slow
@pytest.mark.parametrize(("meter_step", "inverter_step"), STEPS)
def test_a_healthy_pair_is_hardly_ever_said_to_have_moved(meter_step: float, inverter_step: float) -> None:
    pairs, registers = 60, (meter_step, inverter_step)
    apart = sum(bool(_told(_said(_pair(seed, 365, *registers, {}), *registers))) for seed in range(pairs))
    # One in 33 years is what one such test may cost; more than six of sixty would be a rate of twice that.
    assert apart <= 6


@pytest.mark.parametrize(("meter_step", "inverter_step"), STEPS)
@pytest.mark.parametrize(
    ("share", "soon"),
    [pytest.param(0.8, 2, id="a fifth"), pytest.param(0.95, 3, id="5 %"), pytest.param(1.05, 3, id="5 % more")],
)
def test_pulses_that_are_lost_or_doubled_are_told_soon_and_for_as_long_as_it_lasts(
    share: float, soon: int, meter_step: float, inverter_step: float
) -> None:
    waits, sizes, onsets, healthy, registers = [], [], [], 0, (meter_step, inverter_step)
    for seed in range(20):
        said = _said(_pair(seed, 260, *registers, {120: share, 220: 1.0}), *registers)
        after = {day: change for day, change in _told(said).items() if day >= 120}
        assert after, seed
        first = min(after)
        waits.append(first - 120 + 1)
        sizes.append(after[max(day for day in after if day < 220)].deviation)
        onsets += [abs(change.first - 120) for day, change in after.items() if day < 140]
        healthy += sum(said[day] is None or said[day].now is Now.RECOVERED for day in range(first, 220))
        assert max(after) < 248, "a repair is taken for a fault"
    coarse = meter_step == 1000.0
    assert float(np.median(waits)) <= (4 * soon if coarse else soon)
    assert float(np.median(sizes)) == pytest.approx(share - 1.0, abs=0.01)
    assert float(np.median(onsets)) <= (8 if coarse else 2)
    # Of two thousand days under the fault hardly one looks as before, or it would become usual.
    assert healthy <= (40 if coarse else 3)


def test_two_per_cent_are_told_within_eight_good_days() -> None:
    waits = []
    for seed in range(30):
        told_on = _told(_said(_pair(seed, 200, 1.0, 10.0, {120: 0.98}), 1.0, 10.0))
        waits.append(min((day - 120 + 1 for day in told_on if day >= 120), default=99))
    assert float(np.median(waits)) <= 8


def test_there_is_no_history_in_the_first_days_nor_of_next_to_nothing() -> None:
    days = _pair(1, 40, 100.0, 100.0, {})
    assert history(days[: LATEST_DAYS - 1], LATEST_DAYS - 2, 100.0) is None
    assert history([one._replace(made_wh=50.0, told_wh=50.0) for one in days], 39, 100.0) is None
    assert history(days, 39, 100.0) is not None
    assert history([one._replace(joins=False) for one in days], 39, 100.0) is None


@pytest.mark.parametrize(
    ("ratio", "known", "pulses", "phases", "expected"),
    [
        pytest.param(0.8, False, False, 1, ("constant-wrong",), id="800 for 1000 pulses a kWh"),
        pytest.param(2.0, True, False, 1, ("constant-wrong",), id="2000 for 1000"),
        pytest.param(2.0, True, True, 1, ("constant-wrong", "pulses-doubled"), id="or each pulse counted twice"),
        pytest.param(0.49, False, False, 1, ("constant-wrong",), id="never compared before: the inverter errs too"),
        pytest.param(0.49, True, False, 1, ("pulses-lost", "inverter-changed"), id="compared before: no such constant"),
        pytest.param(0.667, True, False, 3, ("phase-missing",), id="two of three phases"),
        pytest.param(0.667, True, False, 1, ("pulses-lost", "inverter-changed"), id="one phase has none to miss"),
        pytest.param(0.95, False, True, 1, ("pulses-lost",), id="some pulses lost"),
        pytest.param(1.05, False, True, 1, ("pulses-doubled",), id="some counted twice"),
        pytest.param(0.95, True, False, 1, ("pulses-lost", "inverter-changed"), id="either of two registers"),
        pytest.param(0.95, False, False, 1, (), id="nothing is known of before"),
    ],
)
def test_a_ratio_looks_like_its_causes(
    ratio: float, known: bool, pulses: bool, phases: int, expected: tuple[str, ...]
) -> None:
    assert causes(ratio, known, pulses, phases) == expected


@pytest.mark.slow
def test_a_meter_that_begins_to_lose_five_in_a_hundred_is_told_from_its_readings_and_closed_when_repaired() -> None:
    days = 42
    home = Home(
        home_site(meters=(METER,)), parse_iso("2026-05-10T00:00:00Z"), days, broken(days * POINTS_A_DAY, 2, level=0.8)
    )
    losing = home.between("2026-06-06T00:00:00Z", "2026-06-14T00:00:00Z")
    home.counting[losing] = 0.95
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.closed_as) == (Finding.METER_MISMATCH, ClosedAs.RECOVERED)
        assert alert.opened_ms is not None
        assert alert.cleared_ms is not None
        assert parse_iso("2026-06-07T00:00:00Z") < alert.opened_ms < parse_iso("2026-06-10T04:00:00Z")
        assert parse_iso("2026-06-14T00:00:00Z") < alert.cleared_ms < parse_iso("2026-06-19T04:00:00Z")
        assert alert.onset_low_ms <= parse_iso("2026-06-06T00:00:00Z") <= alert.onset_high_ms
        made_kwh = home.ac_w("inverter-1")[losing].sum() / 12_000
        assert alert.loss_low_mwh / 1e6 <= 0.05 * made_kwh <= alert.loss_high_mwh / 1e6


@pytest.mark.slow
def test_days_before_a_repair_are_held_against_nobody_once_it_is_told() -> None:
    """On dull days a stretch must be long to hold enough energy, and would reach back to when the meter was wrong."""
    days = 44
    home = Home(
        home_site(meters=(METER,)), parse_iso("2026-11-01T00:00:00Z"), days, broken(days * POINTS_A_DAY, 2, level=0.8)
    )
    wrong = home.between("2026-11-28T00:00:00Z", "2026-12-04T00:00:00Z")
    home.counting[wrong] = 0.5
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.closed_as) == (Finding.METER_MISMATCH, ClosedAs.RECOVERED)
        assert alert.cleared_ms is not None
        assert alert.cleared_ms < parse_iso("2026-12-09T04:00:00Z")
