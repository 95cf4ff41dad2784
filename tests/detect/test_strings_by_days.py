"""Rows of panels judged by their days: each fault has its name, its row, its beginning and its loss; shade has none."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_days import MadeDays
from tests.detect.made_homes import EAST, SOUTH, WEST, Home, broken, home_site, means, polled
from watcher.detect.scene import FAULT, OK, Judgement
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Array

BEGIN = parse_iso("2026-05-01T00:00:00Z")
BY_DAYS = (
    Finding.STRING_INTERMITTENT,
    Finding.STRING_OPEN,
    Finding.MODULE_LOST,
    Finding.STRING_LOW_VOLTAGE,
    Finding.STRING_LOW_CURRENT,
)
FIRST, SECOND = "inverter-1.input-1", "inverter-1.input-2"
MODULES = 10


def row(number: int, like: Array = SOUTH) -> Array:
    place = {"id": f"row-{number}", "input": f"inverter-1.input-{number}"}
    return replace(like, peak_power_w=1800.0, modules_in_series=MODULES, **place)  # type: ignore[arg-type]


ALIKE = (row(1), row(2))
APART = (row(1, EAST), row(2, WEST))


def home_of(arrays: tuple[Array, ...], days: int, seed: int = 31, **facts: object) -> Home:
    sky = broken(days * POINTS_A_DAY, seed, level=0.75, spread=0.25)
    return Home(home_site(*arrays, meters=(), **facts), BEGIN, days, sky, noise=0.03)


def since(home: Home, day: int, last: int | None = None) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Intervals from the beginning of a day of the home on, up to another."""
    at = np.arange(home.points)
    return np.asarray((at >= day * POINTS_A_DAY) & (at < (home.days if last is None else last) * POINTS_A_DAY))


def told(home: Home, raw: dict[str, Samples] | None = None) -> dict[tuple[Finding, str], Judgement]:
    """What is told of strings."""
    judged = MadeDays(home, home.raw() if raw is None else raw).judged()
    return {key: one for key, one in judged.items() if key[0] in BY_DAYS and (one.verdict == FAULT).any()}


def first_fault(home: Home, judgement: Judgement) -> int:
    """The day of the home on which it was first told."""
    return int(np.flatnonzero(judgement.verdict == FAULT)[0]) // POINTS_A_DAY


def causes(judgement: Judgement) -> set[tuple[str, ...]]:
    return {judgement.cause_sets[judgement.cause[at]] for at in np.flatnonzero(judgement.verdict == FAULT)}


def lost_kwh(judgement: Judgement) -> float:
    """All that was told of as lost: what came before the first telling, and what each later one adds."""
    at = np.flatnonzero(judgement.verdict == FAULT)
    return float(judgement.arrears_mwh[at[0]] + judgement.loss_mwh[at].sum()) / 1e6


def missing_kwh(home: Home, name: str, day: int) -> float:
    """What an input really missed up to the last day that had settled when the window ended."""
    missed = home.possible.by_subject[name].expected - home.input_w(name)
    return float(missed[since(home, day, home.days - 1)].sum()) / 12_000.0


def less_current(home: Home, day: int) -> None:
    home.share[SECOND][since(home, day)] *= 0.7


def less_voltage(parts: int) -> Callable[[Home, int], None]:
    """So many thirds of a module are bypassed."""

    def bend(home: Home, day: int) -> None:
        left = 1.0 - parts / (3.0 * MODULES)
        home.share[SECOND][since(home, day)] *= left
        home.voltage[SECOND][since(home, day)] *= left

    return bend


@pytest.mark.parametrize(
    ("bend", "finding", "cause"),
    [
        pytest.param(
            less_current,
            Finding.STRING_LOW_CURRENT,
            ("soiled-modules", "shaded-modules", "worn-cells"),
            id="seven tenths of its current",
        ),
        pytest.param(less_voltage(1), Finding.MODULE_LOST, ("part-of-a-module",), id="a third of a module"),
        pytest.param(less_voltage(2), Finding.MODULE_LOST, ("part-of-a-module",), id="two thirds of a module"),
        pytest.param(less_voltage(3), Finding.MODULE_LOST, ("whole-module",), id="a module"),
        pytest.param(
            less_voltage(7), Finding.STRING_LOW_VOLTAGE, ("modules-bypassed", "worn-cells"), id="two modules and more"
        ),
    ],
)
@pytest.mark.parametrize("arrays", [ALIKE, APART], ids=["planes alike", "east and west"])
def test_a_lasting_loss_has_one_name_and_the_row_that_lost(
    arrays: tuple[Array, ...], bend: Callable[[Home, int], None], finding: Finding, cause: tuple[str, ...]
) -> None:
    home, day = home_of(arrays, 34), 23
    bend(home, day)
    found = told(home)
    assert set(found) == {(finding, SECOND)}
    judgement = found[finding, SECOND]
    assert causes(judgement) == {cause}
    assert day < first_fault(home, judgement) <= day + 7
    last = int(np.flatnonzero(judgement.verdict == FAULT)[-1])
    begun_ms = BEGIN + day * DAY_MS
    assert judgement.onset_low_ms[last] - DAY_MS <= begun_ms <= judgement.onset_high_ms[last]
    assert abs(judgement.onset_ms[last] - begun_ms) <= 2 * DAY_MS
    assert lost_kwh(judgement) == pytest.approx(missing_kwh(home, SECOND, day), rel=0.3)


def test_a_row_that_breaks_off_is_one_matter_from_its_second_day_until_it_carries_more_than_it_broke_at() -> None:
    home = home_of(ALIKE, 16)
    could = home.input_w(SECOND)
    loose = since(home, 5, 10) & (could > 800.0)
    missed = float(could[loose].sum()) / 12_000.0
    home.share[SECOND][loose], home.voltage[SECOND][loose] = 0.0, 430.0
    judged = MadeDays(home, home.raw()).judged()
    comes_and_goes, gone = judged[Finding.STRING_INTERMITTENT, SECOND], judged[Finding.STRING_OPEN, SECOND]
    assert causes(comes_and_goes) == {("loose-contact",)}
    assert first_fault(home, comes_and_goes) == 7, "two days have settled"
    assert lost_kwh(comes_and_goes) == pytest.approx(missed, rel=0.25)
    onset = int(comes_and_goes.onset_ms[np.flatnonzero(comes_and_goes.verdict == FAULT)[0]])
    assert 5 * DAY_MS < onset - BEGIN < 6 * DAY_MS
    assert not (gone.verdict[since(home, 8)] == FAULT).any(), "what is told to come and go is not told to be open too"
    assert comes_and_goes.verdict[comes_and_goes.verdict != 0][-1] == OK
    assert not any(finding not in (Finding.STRING_INTERMITTENT, Finding.STRING_OPEN) for finding, _ in told(home))


def test_a_loose_contact_stands_through_dull_days() -> None:
    home = home_of(ALIKE, 16)
    home.share[SECOND][since(home, 4, 7) & (home.input_w(SECOND) > 800.0)] = 0.0
    for share in home.share.values():
        share[since(home, 7)] *= 0.4  # a dull week: what it broke at is not reached
    comes_and_goes = MadeDays(home, home.raw()).judged()[Finding.STRING_INTERMITTENT, SECOND]
    said = comes_and_goes.verdict[since(home, 8) & (comes_and_goes.verdict != 0)]
    assert len(said) >= 7
    assert (said == FAULT).all()


@pytest.mark.parametrize("late", [False, True], ids=["hourly satellite", "a reference that comes a day late"])
def test_one_of_parallel_strings_is_told_by_whole_days_where_no_sensor_is(late: bool) -> None:
    twin = replace(SOUTH, peak_power_w=1800.0, parallel_strings=2, input=FIRST)
    arrays = (replace(twin, id="one"), replace(twin, id="two", input=SECOND))
    sources = (polled("inverter-1"), means("weather-nowcast", 3600.0))
    home, day = home_of(arrays, 30, sensors=(), sources=sources), 22
    home.share[SECOND][since(home, day)] *= 0.5
    weather = home.weather("weather-nowcast", 60, error=0.15)
    if late:
        for name, column in weather.items():
            known_ms = array("q", (at + DAY_MS for at in column.time_ms))
            weather[name] = Samples(column.time_ms, column.value, known_ms)
    found = told(home, home.raw() | weather)
    assert set(found) == {(Finding.STRING_OPEN, SECOND)}
    judgement = found[Finding.STRING_OPEN, SECOND]
    assert causes(judgement) == {("parallel-string",)}
    assert first_fault(home, judgement) <= day + 4
    assert lost_kwh(judgement) == pytest.approx(missing_kwh(home, SECOND, day), rel=0.3)
    said = judgement.verdict[since(home, first_fault(home, judgement) + 1) & (judgement.verdict != 0)]
    assert (said == FAULT).all(), "it does not come and go with the clouds"


def chimney(home: Home) -> None:
    """From day 20 on, when the sun is low enough, a shadow takes a part of one row from nine to eleven."""
    hour = (np.arange(home.points) % POINTS_A_DAY) / (POINTS_A_DAY / 24.0)
    shaded = since(home, 20) & (hour >= 9.0) & (hour < 11.0)
    home.share[SECOND][shaded] *= 0.6
    home.voltage[SECOND][shaded] *= 0.93


@pytest.mark.parametrize(
    ("arrays", "days", "bend"),
    [
        pytest.param(APART, 60, None, id="east and west"),
        pytest.param((row(1), replace(row(2, WEST), tilt_deg=15.0)), 40, None, id="planes of all kinds"),
        pytest.param(ALIKE, 60, None, id="planes alike"),
        pytest.param(ALIKE, 45, chimney, id="a chimney at certain hours"),
        pytest.param(APART, 45, chimney, id="a chimney on one roof of two"),
        pytest.param((row(1),), 40, None, id="one row alone"),
    ],
)
def test_rows_that_are_well_are_left_in_peace(
    arrays: tuple[Array, ...], days: int, bend: Callable[[Home], None] | None
) -> None:
    home = home_of(arrays, days, seed=41)
    if bend is not None:
        bend(home)
    judged = MadeDays(home, home.raw()).judged()
    found = {key for key, one in judged.items() if key[0] in BY_DAYS and (one.verdict == FAULT).any()}
    assert found == set()
    well = {key for key, one in judged.items() if key[0] in BY_DAYS and (one.verdict == OK).any()}
    assert (Finding.STRING_LOW_CURRENT, FIRST) in well, "quiet because it looked"


@pytest.mark.parametrize("higher", [1.0, 1.08], ids=["voltage as ever", "and a voltage that rises with less current"])
def test_a_row_that_is_mended_is_not_told_of_anew(higher: float) -> None:
    home = home_of(APART, 44)
    ill = since(home, 22, 36)
    home.share[SECOND][ill] *= 0.7
    home.voltage[SECOND][ill] *= higher
    found = told(home)
    assert set(found) == {(Finding.STRING_LOW_CURRENT, SECOND)}
    verdict = found[Finding.STRING_LOW_CURRENT, SECOND].verdict
    assert not (verdict[since(home, 41)] == FAULT).any()
    assert (verdict[since(home, 41)] == OK).any()


@pytest.mark.parametrize("air_told", [True, False], ids=["the air's temperature told", "not told"])
def test_a_warm_week_is_no_module_lost_where_nobody_says_how_warm_the_air_is(air_told: bool) -> None:
    """With the air as cool as before less voltage is a module's; with no word of the air it proves nothing."""
    home = home_of((row(1),), 34)
    home.voltage[FIRST][since(home, 23)] *= 0.93  # what 20 kelvin do (-0.35 %/K)
    home.share[FIRST][since(home, 23)] *= 0.93
    raw = home.raw()
    if not air_told:
        del raw["sensor-1.temp_air"]
    lost = MadeDays(home, raw).judged()[Finding.MODULE_LOST, FIRST]
    assert bool((lost.verdict == FAULT).any()) is air_told
