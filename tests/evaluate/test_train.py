"""What is learned of a plant and what must not be: shade yes, a fault never, and nothing that does not help."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, home_site
from watcher.align.window import Floats
from watcher.domain.alert import Alert, AlertState
from watcher.domain.day import DayFigure, DaySheet
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, from_ms, parse_iso
from watcher.domain.model import Choice, Model
from watcher.domain.sheet import Sheet, pack
from watcher.expect.expectation import Basis
from watcher.expect.geometry import sky_of_day
from watcher.expect.learned import correction, features
from watcher.sheet import _tenths, columns_of
from watcher.train import EVERY_DAYS, FEWEST_HELD, due, errors, train

SITE = replace(home_site(SOUTH), zone=ZoneInfo("UTC"))
START_MS = next(ms for ms in range(parse_iso("2026-03-01T00:00:00Z"), 2**62, DAY_MS) if due(ms))
DAYS = 120
CEILING_W = 1500.0
Share = Callable[[Floats, Floats, int], Floats | float]
"""What a plant makes of what is expected, by sun height, sun direction and day."""


def whole(_sun: Floats, _azimuth: Floats, _day: int) -> float:
    return 1.0


def shaded_in_the_morning(_sun: Floats, azimuth: Floats, _day: int) -> Floats:
    return np.where(azimuth < 140.0, 0.6, 1.0)


def a_fifth_gone(_sun: Floats, _azimuth: Floats, _day: int) -> float:
    return 0.8


def slowly_going(_sun: Floats, _azimuth: Floats, day: int) -> float:
    return 1.0 - 0.2 * day / DAYS


@cache
def sheets(share: Share, noise: float = 0.02, held_since: int = DAYS) -> tuple[DaySheet, ...]:
    """Days of broken sky over a plant whose output errs by some noise, alike in all hours of a quarter of a day.

    held_since: day from which it is held at CEILING_W
    """
    chance = np.random.default_rng(11)
    found = []
    for number in range(DAYS):
        start_ms = START_MS + number * DAY_MS
        sky = sky_of_day(SITE.latitude_deg, SITE.longitude_deg, SITE.altitude_m, start_ms)
        sun, azimuth = sky.elevation_deg, sky.azimuth_deg
        bound = 3000.0 * np.maximum(np.sin(np.radians(sun)), 0.0)
        cloud = np.clip(np.repeat(chance.uniform(0.2, 1.0, 2), POINTS_A_DAY // 2), 0.0, 1.0)
        expected = bound * cloud
        errs = np.exp(noise * np.repeat(chance.normal(size=4), POINTS_A_DAY // 4))
        made = np.minimum(expected * share(sun, azimuth, number) * errs, CEILING_W if number >= held_since else np.inf)
        columns = {
            "inverter-1.ac_power": made, "inverter-1.expected": expected,
            "inverter-1.bound": bound, "sun_elevation": sun, "sun_azimuth": azimuth,
            "temp_air": np.full(POINTS_A_DAY, 12.0), "basis": np.full(POINTS_A_DAY, float(Basis.MEASURED)),
        }  # fmt: skip
        content = pack(Sheet(start_ms, {name: _tenths(column) for name, column in columns.items()}))
        found.append(DaySheet(from_ms(start_ms).date(), 1, start_ms + DAY_MS, content))
    return tuple(found)


def figure(day: date, **values: float) -> DayFigure:
    return DayFigure(Finding.OUTPUT_LOW, "inverter-1", day, 1, 0, {"on_file": 1.0, "status": 3.0, **values})


@cache
def learned_of(share: Share, noise: float = 0.02) -> tuple[Model, ...]:
    return tuple(learn(sheets(share, noise)))


def learn(
    kept: tuple[DaySheet, ...], figures: list[DayFigure] | None = None, alerts: tuple[Alert, ...] = ()
) -> list[Model]:
    """The models of one plant, every fifteen days."""
    figures = figures if figures is not None else [figure(one.day) for one in kept]
    models: list[Model] = []
    digest = {}  # type: ignore[var-annotated]
    for made_ms in range(START_MS + EVERY_DAYS * DAY_MS, START_MS + (DAYS + 1) * DAY_MS, EVERY_DAYS * DAY_MS):
        today = from_ms(made_ms).date()
        past = [one for one in figures if one.day < today]
        before = models[-1] if models else None
        made = train(SITE, "inverter-1", made_ms, [s for s in kept if s.day < today], past, alerts, before, digest)
        assert made is not None
        models.append(made)
    return models


def moves(model: Model, sheet: DaySheet) -> float:
    """What a model does to what is expected of a day [ln]."""
    of = columns_of(sheet, ("inverter-1.expected", "inverter-1.bound", "sun_elevation", "sun_azimuth", "temp_air"))
    expected, bound = of["inverter-1.expected"], of["inverter-1.bound"]
    said = correction(model, features(of["sun_elevation"], of["sun_azimuth"], expected, bound, of["temp_air"]))
    return float(np.log(np.sum(expected * np.exp(said)) / np.sum(expected)))


def test_morning_shade_is_learned_and_used_once_it_was_right_about_later_days() -> None:
    models = learned_of(shaded_in_the_morning)
    assert [one.choice for one in models[:2]] == [Choice.FEW_DAYS, Choice.UNTRIED]
    assert {one.choice for one in models[2:]} == {Choice.USED}
    chain, learned = errors(models[-1].held)
    assert learned.mean() < 0.5 * chain.mean()
    assert len(models[-1].held) >= 60


def test_a_model_says_from_which_days_and_heights_of_the_sun() -> None:
    last = learned_of(shaded_in_the_morning)[-1]
    kept = sheets(whole)
    assert (last.first_day, last.last_day) == (kept[0].day.toordinal(), kept[-1].day.toordinal())
    assert last.days == DAYS
    assert 50.0 < last.sun_high_deg < 62.0


@pytest.mark.parametrize("share", [a_fifth_gone, slowly_going], ids=["from the first day on", "growing slowly"])
def test_a_loss_of_a_fifth_cannot_be_learned(share: Share) -> None:
    kept = sheets(share)
    for model in learned_of(share):
        # Used or not: what it would say if it were.
        for sheet in kept[-20::5]:
            assert abs(moves(replace(model, choice=Choice.USED), sheet)) < 0.03


def test_a_plant_that_is_as_expected_gets_no_correction() -> None:
    assert {one.choice for one in learned_of(whole, 0.05)} <= {Choice.FEW_DAYS, Choice.UNTRIED, Choice.NO_BETTER}


def test_what_was_refused_is_tried_on_before_another_is_fitted() -> None:
    refused = [one for one in learned_of(whole, 0.05) if one.choice is Choice.NO_BETTER]
    assert len(refused) >= 3
    assert refused[0].trees == refused[1].trees
    assert [len(one.held) for one in refused] == sorted({len(one.held) for one in refused})


def test_the_level_of_the_last_months_stays_where_it_was_when_a_model_comes() -> None:
    kept = sheets(shaded_in_the_morning)
    used = next(one for one in learned_of(shaded_in_the_morning) if one.choice is Choice.USED)
    before = [one for one in kept if one.day < from_ms(used.made_ms).date()]
    assert abs(float(np.mean([moves(used, sheet) for sheet in before]))) < 0.01


def test_a_ceiling_that_was_there_from_the_first_day_is_learned_as_the_limit() -> None:
    models = learn(sheets(whole, 0.01, held_since=0))
    assert [one.limit_w for one in models[1:]] == [pytest.approx(CEILING_W, rel=0.01)] * len(models[1:])


@pytest.mark.parametrize("held_since", [60, DAYS], ids=["since a date", "never"])
def test_a_ceiling_that_came_later_and_a_clear_noon_are_no_limit(held_since: int) -> None:
    assert {one.limit_w for one in learn(sheets(whole, 0.01, held_since))} == {0.0}


def test_the_same_days_give_the_same_models() -> None:
    assert tuple(learn(sheets(shaded_in_the_morning))) == learned_of(shaded_in_the_morning)


@pytest.mark.parametrize("values", [{"status": 1.0}, {"status": 2.0}, {"status": 0.0}, {"doubtful": 1.0}], ids=str)
def test_days_that_were_low_in_doubt_or_not_judged_teach_nothing(values: dict[str, float]) -> None:
    kept = sheets(shaded_in_the_morning)
    figures = [figure(one.day, **(values if place % 4 == 0 else {})) for place, one in enumerate(kept)]
    assert learn(kept, figures)[-1].days == DAYS * 3 // 4


def test_days_under_an_alert_on_the_inverter_teach_nothing_and_those_of_the_meter_do() -> None:
    kept = sheets(shaded_in_the_morning)

    def alert(subject: str, finding: Finding) -> Alert:
        since_ms = START_MS + 10 * DAY_MS
        return Alert(
            "home-1", finding, subject, AlertState.CLEARED, since_ms, since_ms, since_ms, since_ms, since_ms,
            since_ms + 20 * DAY_MS, None, (), 0, 0, 0, 0, 0, {},
        )  # fmt: skip

    assert learn(kept, alerts=(alert("inverter-1.input-1", Finding.STRING_OPEN),))[-1].days == DAYS - 20
    assert learn(kept, alerts=(alert("meter-1", Finding.METER_MISMATCH),))[-1].days == DAYS


def test_under_other_facts_all_begins_anew() -> None:
    kept = sheets(shaded_in_the_morning)
    before = learned_of(shaded_in_the_morning)[-1]
    other = replace(SITE, arrays=(replace(SOUTH, peak_power_w=5000.0),))
    made_ms = before.made_ms + EVERY_DAYS * DAY_MS
    figures = [figure(one.day) for one in kept]
    model = train(other, "inverter-1", made_ms, kept, figures, (), before, {})
    assert model is not None
    assert (model.choice, model.held, model.facts == before.facts) == (Choice.FEW_DAYS, (), False)


def test_an_inverter_nobody_judged_has_no_model() -> None:
    assert train(SITE, "inverter-1", START_MS, sheets(whole), (), (), None, {}) is None


def test_models_are_made_every_fifteen_days() -> None:
    noon = datetime(2026, 6, 1, tzinfo=UTC)
    midnights = [int(noon.timestamp() * 1000) + day * DAY_MS for day in range(90)]
    assert sum(map(due, midnights)) == 90 // EVERY_DAYS
    assert FEWEST_HELD <= EVERY_DAYS, "a model is tried on the days to the next"
