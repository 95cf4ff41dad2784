"""An entry that does not fit is asked about with the value that would; what came with a step is not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from tests.detect.made_days import JUNE, MadeDays
from tests.detect.made_homes import EAST, SOUTH, WEST, Home, broken, by_day, home_site
from watcher.detect.scene import FAULT, OK, Judgement
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import POINTS_A_DAY
from watcher.domain.reading import Samples
from watcher.domain.site import Array
from watcher.expect.learned import facts_number

DAYS = 23


def judged_with(
    really: tuple[Array, ...], on_file: tuple[Array, ...], *, dc: bool = True, step: float = 1.0
) -> Judgement:
    """Of a home whose panels are one way and whose file says another. step: what it makes from the tenth day on"""
    home = Home(home_site(*really, meters=()), JUNE, DAYS, broken(DAYS * POINTS_A_DAY, 17, level=0.8))
    for share in home.share.values():
        share[10 * POINTS_A_DAY :] *= step
    raw = {name: column for name, column in home.raw().items() if dc or ".input" not in name}
    home.site = replace(home.site, arrays=on_file)
    return MadeDays(home, raw).judged()[Finding.SITE_RECORD_WRONG, "inverter-1"]


def told_of(judgement: Judgement) -> tuple[str, dict[str, str | float]]:
    """The cause and the numbers of the last point that tells of a fault; "" where none does."""
    faults = np.flatnonzero(judgement.verdict == FAULT)
    if not len(faults):
        return "", {}
    last = int(faults[-1])
    return judgement.cause_sets[judgement.cause[last]][0], dict(judgement.evidence(last))


def rated(array: Array, share: float) -> Array:
    return replace(array, peak_power_w=array.peak_power_w * share)


@pytest.mark.parametrize("arrays", [(SOUTH,), (EAST, WEST)], ids=["south", "east and west"])
@pytest.mark.parametrize("dc", [True, False], ids=["inputs", "AC alone"])
def test_a_file_that_fits_is_not_asked_about(arrays: tuple[Array, ...], dc: bool) -> None:
    found = judged_with(arrays, arrays, dc=dc)
    assert told_of(found)[0] == ""
    assert OK in found.verdict


@pytest.mark.parametrize("share", [0.72, 1.4])
def test_a_rating_typed_wrong_is_asked_about_with_the_one_that_would_fit(share: float) -> None:
    cause, said = told_of(judged_with((SOUTH,), (rated(SOUTH, share),)))
    assert cause == "rating"
    assert said["on_file_w"] == pytest.approx(share * SOUTH.peak_power_w)
    assert said["likely_w"] == pytest.approx(SOUTH.peak_power_w, rel=0.05)


@pytest.mark.parametrize("typed_deg", [110.0, 250.0])
@pytest.mark.parametrize("dc", [True, False], ids=["inputs", "AC alone"])
def test_a_direction_typed_wrong_is_asked_about_with_one_nearer_the_truth(typed_deg: float, dc: bool) -> None:
    cause, said = told_of(judged_with((SOUTH,), (replace(SOUTH, azimuth_deg=typed_deg),), dc=dc))
    assert cause == "direction"
    assert said["on_file_deg"] == typed_deg
    assert abs(float(said["likely_deg"]) - 180.0) <= 30.0
    assert (float(said["shift_hours"]) > 0.0) == (typed_deg < 180.0)


def test_case_f5_misfile_both_planes_of_an_east_west_roof_on_file_as_south() -> None:
    south = (replace(EAST, azimuth_deg=180.0), replace(WEST, azimuth_deg=180.0))
    cause, said = told_of(judged_with((EAST, WEST), south))
    assert cause == "direction"
    assert abs(float(said["shift_hours"])) > 1.0


def test_inputs_that_are_swapped_on_file_are_called_so() -> None:
    swapped = (replace(EAST, azimuth_deg=270.0), replace(WEST, azimuth_deg=90.0))
    assert told_of(judged_with((EAST, WEST), swapped))[0] == "inputs-swapped"


def test_a_sensor_with_the_wrong_scale_from_the_first_day_is_asked_about_and_not_the_plant() -> None:
    home = Home(home_site(SOUTH, meters=()), JUNE, DAYS, by_day(*([1.0, 1.0, 0.6, 0.3] * 6)[:DAYS]))
    raw = dict(home.raw())
    rows = zip(raw["sensor-1.ghi"].time_ms, raw["sensor-1.ghi"].value, strict=True)
    raw["sensor-1.ghi"] = Samples.of((at, 0.7 * value) for at, value in rows)
    found = MadeDays(home, raw).judged()[Finding.SITE_RECORD_WRONG, "inverter-1"]
    cause, said = told_of(found)
    assert cause == "reference-scale"
    assert said["made_ratio"] == pytest.approx(1.0 / 0.7, rel=0.1)


def test_what_came_with_a_step_is_a_fault_and_not_asked_about() -> None:
    assert told_of(judged_with((SOUTH,), (SOUTH,), step=0.6))[0] == ""


def test_after_its_first_weeks_a_plant_is_asked_about_no_more() -> None:
    home = Home(home_site(SOUTH, meters=()), JUNE, DAYS, broken(DAYS * POINTS_A_DAY, 17, level=0.8))
    raw = home.raw()
    home.site = replace(home.site, arrays=(rated(SOUTH, 1.4),))
    values = {"on_file": float(facts_number(home.site, "inverter-1")), "told": 0.0, "count": 60.0}
    kept = [DayFigure(Finding.SITE_RECORD_WRONG, "inverter-1", date(2026, 6, 9), 1, JUNE, values)]
    past = {(Finding.SITE_RECORD_WRONG, "inverter-1"): kept}
    found = MadeDays(home, raw).judged_at(home.end_ms, past)[Finding.SITE_RECORD_WRONG, "inverter-1"]
    assert told_of(found)[0] == ""
    assert {one.values["count"] for one in found.figures} == {60.0}
