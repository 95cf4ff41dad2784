"""The test of level: against published run lengths, on seeded plants, and through the figures the ledger keeps."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from scipy.stats import poisson

from tests.bench.limits import BUDGET, REFERENCES, alarms, years
from watcher.detect.level import ABOVE_DAYS, FEWEST_DAYS, LATEST_DAYS, Ratio, State, accumulated, step
from watcher.detect.level_days import Day, Status, before
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.expect.expectation import Basis

BASES = [Basis.MEASURED, Basis.SATELLITE, Basis.WEATHER]
SENSOR = REFERENCES[Basis.MEASURED]


@pytest.mark.parametrize(
    ("shift", "interval", "run_length"),
    # One-sided CUSUM, reference value 0.5: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.1 (from memory).
    [(0.5, 4.0, 26.6), (1.0, 4.0, 8.38), (1.0, 5.0, 10.4), (2.0, 4.0, 3.34), (2.0, 5.0, 4.01), (0.0, 4.0, 336.0)],
)
def test_a_sum_runs_as_long_as_the_handbook_says(shift: float, interval: float, run_length: float) -> None:
    chance = np.random.default_rng(11)
    lengths = []
    for _ in range(1500):
        total, days = 0.0, 0
        while total <= interval:
            total, days = accumulated(total, 1.0, float(chance.normal(shift))), days + 1
        lengths.append(days)
    error = 3.5 * float(np.std(lengths)) / math.sqrt(len(lengths))
    assert float(np.mean(lengths)) == pytest.approx(run_length, abs=error)


@pytest.mark.slow
@pytest.mark.parametrize("basis", BASES, ids=lambda basis: basis.name.lower())
def test_healthy_plants_are_accused_no_oftener_than_budgeted(basis: Basis) -> None:
    plants, count = 60, 2
    told = sum(alarms(basis, count, REFERENCES[basis], seed)[0] for seed in range(5000, 5000 + plants))
    # More than this comes of a true rate at budget once in a thousand.
    most = poisson.ppf(0.999, BUDGET * plants * count)
    assert told <= most


def _run(days: list[Ratio], basis: Basis = Basis.MEASURED) -> list[State]:
    states, state = [], State()
    for day in days:
        state = step(state, day, REFERENCES[basis])
        states.append(state)
    return states


def _made(count: int, seed: int, sigma: float = 0.02, level: float = -0.1) -> list[Ratio]:
    chance = np.random.default_rng(seed)
    return [Ratio(1000 + day, level + sigma * float(chance.normal()), sigma, doubtful=False) for day in range(count)]


def _low(days: list[Ratio], first: int, last: int, loss: float) -> list[Ratio]:
    return [
        day._replace(log=day.log + math.log(1.0 - loss)) if first <= place < last else day
        for place, day in enumerate(days)
    ]


@pytest.mark.parametrize(("loss", "soon"), [(0.5, 2), (0.3, 2), (0.2, 3), (0.1, 6)])
@pytest.mark.parametrize("seed", range(4))
def test_a_loss_is_told_soon_with_its_day_and_size_and_ends_with_its_repair(loss: float, soon: int, seed: int) -> None:
    days = _low(_made(200, seed), 80, 160, loss)
    states = _run(days)
    alarmed = [place for place, state in enumerate(states) if state.alarmed]
    assert 80 <= alarmed[0] < 80 + soon
    # It neither becomes usual nor is told once more after the repair.
    assert alarmed == list(range(alarmed[0], alarmed[-1] + 1))
    assert 160 <= alarmed[-1] < 165
    assert abs(states[150].alarmed - days[80].day) <= 1
    assert states[150].loss == pytest.approx(-math.log(1.0 - loss), abs=0.02)
    level = states[199].level
    assert level is not None
    assert level.log == pytest.approx(-0.1, abs=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_a_repair_of_what_was_never_told_is_a_level_of_its_own(seed: int) -> None:
    # Low since before anybody looked; a good day is no fault, and its loss afterwards is.
    days = _low(_low(_made(160, seed), 0, 60, 0.3), 110, 160, 0.1)
    states = _run(days)
    assert not any(state.alarmed for state in states[:110])
    assert states[60 + ABOVE_DAYS - 1].level is None
    level = states[105].level
    assert level is not None
    assert level.log == pytest.approx(-0.1, abs=0.02)
    assert any(state.alarmed for state in states[110:118])


def test_one_wild_day_and_a_week_of_possible_snow_tell_nothing() -> None:
    days = _made(120, 5)
    days[70] = days[70]._replace(log=days[70].log - 3.0)
    for place in range(90, 97):
        days[place] = days[place]._replace(log=days[place].log - 2.0, doubtful=True)
    assert not any(state.alarmed for state in _run(days))
    sure = [day._replace(doubtful=False) for day in days]
    assert any(state.alarmed for state in _run(sure))


def test_nothing_is_said_before_there_is_a_level_and_a_dark_season_keeps_the_one_there_was() -> None:
    days = _made(60, 6)
    states = _run(days)
    assert [state.level is None for state in states].index(False) == FEWEST_DAYS + LATEST_DAYS - 1
    later = days[-1].day + 120  # nothing usable for four months
    after = step(states[-1], Ratio(later, -0.1, 0.04, doubtful=False), SENSOR)
    assert after.level is not None
    assert after.level.log == pytest.approx(-0.1, abs=0.02)
    assert after.level.age > 100.0


@pytest.mark.parametrize("basis", BASES, ids=lambda basis: basis.name.lower())
@pytest.mark.parametrize("seed", range(3))
def test_a_state_comes_back_from_the_figures_as_it_was(basis: Basis, seed: int) -> None:
    days = [day._replace(day=day.day + 738_000) for day in years(basis, seed, 1)]
    days = _low(_low(days, 60, 70, 0.6), 150, 200, 0.35)
    for place in range(100, 104):
        days[place] = days[place]._replace(log=days[place].log - 1.0, doubtful=True)
    figures: list[DayFigure] = []
    straight, returned = State(), State()
    told = 0
    for ratio in days:
        day = date.fromordinal(ratio.day)
        straight = step(straight, ratio, REFERENCES[basis])
        returned = step(before(figures, 7.0, day).state, ratio, REFERENCES[basis])
        assert returned == straight
        told += bool(straight.alarmed)
        kept = Day(day, 0, 1, 1e6, 1.2e6, 1.1e6, 0, Status.FINE, 1.0, ratio, straight, basis)
        figures.append(kept.figure(Finding.OUTPUT_LOW, "inverter-1", 7.0, 1, 0))
    assert told > 10
    assert before(figures, 8.0, date.max).state == State()


@pytest.mark.parametrize("seed", range(4))
def test_a_sensor_that_is_cleaned_is_no_loss_of_the_plant_where_clear_skies_tell(seed: int) -> None:
    chance = np.random.default_rng(seed)
    days = []
    for place, day in enumerate(_made(140, seed, level=0.0)):
        dirt = 0.12 if place < 80 else 0.0  # the plant seems to make more than it should while the sensor is dirty
        clear = -dirt + 0.03 * float(chance.normal()) if chance.uniform() < 0.5 else math.nan
        days.append(day._replace(log=day.log + dirt, clear=clear))
    assert not any(state.alarmed for state in _run(days))
    # The same fall with the sensor as before is the plant's.
    lost = [day._replace(clear=day.clear + 0.12) if place < 80 else day for place, day in enumerate(days)]
    assert any(state.alarmed for state in _run(lost)[80:90])


@pytest.mark.parametrize("basis", [Basis.SATELLITE, Basis.WEATHER])
def test_the_end_of_a_season_in_which_a_plant_made_more_than_its_equipment_is_no_loss(basis: Basis) -> None:
    # A roof whose direction is typed wrong makes a third more than expected all winter, and as expected in spring.
    days = [
        day._replace(log=day.log + 0.34 if place < 70 else day.log) for place, day in enumerate(_made(140, 3, 0.1, 0.0))
    ]
    states = _run(days, basis)
    assert not any(state.alarmed for state in states)
    assert states[60].level is not None
