"""The kit every detector must pass, on every made day: a new line in the registry is examined at once.

A detector is a pure function of the window up to a point. So it sees no future, says unknown where it was told
nothing, leaves its window alone, answers alike twice, and is quiet while nothing is wrong.
"""

from __future__ import annotations

import copy
from array import array
from collections.abc import Callable, Iterable
from dataclasses import fields, replace

import numpy as np
import pytest

from tests.detect.made_days import MADE, Judged, MadeDays, faults, input_dead_under_hourly_weather, made
from tests.detect.made_homes import Home
from watcher.alert.policy import policies
from watcher.align.build import build_window
from watcher.align.window import Bools
from watcher.detect.registry import DETECTORS
from watcher.detect.scene import FAULT, OK, UNKNOWN, Detector, Judgement, Scene
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY, floor_grid
from watcher.domain.reading import Samples
from watcher.domain.site import SourceKind
from watcher.expect.day import join

Build = Callable[[], MadeDays]
on_made_days = pytest.mark.parametrize("build", MADE, ids=[build.__name__.replace("_", " ") for build in MADE])
each_detector = pytest.mark.parametrize("detector", DETECTORS, ids=[detector.name.value for detector in DETECTORS])

AT_FAULT = ("onset_ms", "onset_low_ms", "onset_high_ms", "loss_mwh", "arrears_mwh")
ANYWHERE = ("verdict", "code", "cause", "observed", "expected", "units", "withdrawn_from_ms")


def points_of(days: MadeDays) -> list[int]:
    """Grid points at which to look: odd times of the last two days, and just after each beginning of a fault."""
    home = days.home
    looked = set(range(home.end_ms - 41 * 3_600_000 - 5 * GRID_MS, home.end_ms, 31 * GRID_MS))
    for judgement in days.judged().values():
        fault = judgement.verdict == FAULT
        begins = np.flatnonzero(fault & ~np.concatenate(([False], fault[:-1])))
        looked |= {home.start_ms + GRID_MS * (int(first) + 1) for first in begins[:2]}
    return sorted(floor_grid(point) for point in looked)


def differing(one: Judgement, other: Judgement, count: int, since: int = 0) -> list[str]:
    """What two judgements say differently of the first so many points, of all that anyone may use."""
    at = slice(since, count)
    fault = one.verdict[at] == FAULT

    def alike(name: str, where: slice | Bools) -> bool:
        mine, others = getattr(one, name), getattr(other, name)
        if mine is None or others is None:
            return mine is others
        return np.array_equal(mine[at][where], others[at][where], equal_nan=True)

    found = [name for name in ANYWHERE if not alike(name, slice(None))]
    found += [name for name in AT_FAULT if not alike(name, fault)]
    if not found:
        last = since + np.flatnonzero(fault)[-3:]
        found += [f"evidence at {point}" for point in last if one.evidence(point) != other.evidence(point)]
    return found


@on_made_days
def test_no_detector_sees_the_future(build: Build) -> None:
    days = made(build)
    whole = days.judged()
    for point_ms in points_of(days):
        count = (point_ms - days.home.start_ms) // GRID_MS
        then = days.judged_at(point_ms)
        assert then.keys() == whole.keys()
        wrong = {key: found for key in whole if (found := differing(then[key], whole[key], count))}
        assert not wrong, f"judged at {point_ms}, interval {count - 1}"


@on_made_days
def test_a_day_asked_for_alone_with_what_was_kept_of_those_before_it_is_judged_alike(build: Build) -> None:
    days = made(build)
    home, whole = days.home, days.judged()
    for day in range(1, home.days):
        midnight_ms = home.start_ms + day * DAY_MS
        past = {
            key: kept
            for key, judgement in whole.items()
            if (kept := newest(figure for figure in judgement.figures if figure.settled_ms <= midnight_ms))
        }
        asked_from = day * POINTS_A_DAY
        # The whole has no past; what a plant usually makes, which others take from these figures, is not known there.
        level = {key: kept for key, kept in past.items() if key[0] is Finding.OUTPUT_LOW}
        others = {key: kept for key, kept in past.items() if key not in level}
        alone = days.judged_at(home.end_ms, others, asked_from)
        if level:
            with_level = days.judged_at(home.end_ms, past, asked_from)
            alone |= {key: one for key, one in with_level.items() if key[0] is Finding.OUTPUT_LOW}
        wrong = {key: found for key in whole if (found := differing(alone[key], whole[key], home.points, asked_from))}
        assert not wrong, f"day {day}"
        for key, judgement in whole.items():
            figures = [figure for figure in judgement.figures if figure.settled_ms > midnight_ms]
            assert list(alone[key].figures) == figures, (key, day)


def newest(figures: Iterable[DayFigure]) -> list[DayFigure]:
    """The newest revision of each day, ascending."""
    by_day = {figure.day: figure for figure in sorted(figures, key=lambda figure: figure.revision)}
    return [by_day[day] for day in sorted(by_day)]


@on_made_days
def test_each_subject_is_judged_once_and_at_every_point(build: Build) -> None:
    days = made(build)
    for detector in DETECTORS:
        subjects = list(detector.subjects(days.home.site))
        assert len(set(subjects)) == len(subjects)
        for subject in subjects:
            judgement = days.judged()[detector.name, subject]
            assert (judgement.finding, judgement.subject) == (detector.name, subject)
            columns = {f.name: getattr(judgement, f.name) for f in fields(judgement)}
            lengths = {name: len(column) for name, column in columns.items() if isinstance(column, np.ndarray)}
            assert set(lengths.values()) == {days.home.points}
            assert set(np.unique(judgement.verdict)) <= {UNKNOWN, OK, FAULT}


@on_made_days
def test_every_fault_names_its_reason_and_can_be_told_of(build: Build) -> None:
    days = made(build)
    for (finding, _), judgement in days.judged().items():
        assert all(code.startswith((f"{finding}.", "explained.")) for code in judgement.codes)
        fault = judgement.verdict == FAULT
        ends = days.home.start_ms + GRID_MS * np.arange(1, days.home.points + 1)
        onset = judgement.onset_ms[fault]
        assert (judgement.onset_low_ms[fault] <= onset).all()
        assert (onset <= judgement.onset_high_ms[fault]).all()
        assert (judgement.onset_high_ms[fault] <= ends[fault]).all()
        for column in (judgement.loss_mwh, judgement.arrears_mwh):
            assert (column[fault] >= 0.0).all()
            assert np.array_equal(column, np.round(column)), "losses are whole, or sums depend on how time is cut"
        assert (judgement.loss_mwh[~fault] == 0.0).all()
        for point in faults(judgement)[-5:]:
            for value in judgement.evidence(point).values():
                assert isinstance(value, str) or np.isfinite(value)


def scene_of(days: MadeDays, judged: Judged) -> Scene:
    home = days.home
    window = build_window(home.site, days.raw, days.events, home.start_ms, home.points)
    expected = join(days.expected_by_day())
    return Scene(home.site, window, expected, policies({}).limits(), judged, events=days.events)


@each_detector
@on_made_days
def test_a_detector_leaves_what_it_is_shown_alone_and_answers_alike_twice(detector: Detector, build: Build) -> None:
    days = made(build)
    scene = scene_of(days, days.judged())
    shown = [
        *(column for gauge in scene.window.gauges.values() for column in (gauge.value, gauge.known_ms)),
        *(
            c
            for counter in scene.window.counters.values()
            for c in (counter.energy_mwh, counter.booked_mwh, counter.seen_ms)
        ),
        *(c for one in scene.expected.by_subject.values() for c in (one.expected, one.low, one.high, one.bound)),
        scene.expected.basis,
        scene.expected.temp_air,
        scene.expected.known_ms,
    ]
    before = [column.copy() for column in shown]
    for subject in detector.subjects(days.home.site):
        first, second = detector.judge(scene, subject), detector.judge(scene, subject)
        assert differing(first, second, days.home.points) == []
    assert all(np.array_equal(was, now, equal_nan=True) for was, now in zip(before, shown, strict=True))


@on_made_days
def test_without_readings_nothing_is_known(build: Build) -> None:
    days = made(build)
    home = days.home
    weather = {name: column for name, column in days.raw.items() if name.startswith(("sensor", "weather"))}
    for raw in ({}, weather):
        silent = MadeDays(_polled(home), raw)
        for (finding, _), judgement in silent.judged().items():
            if not raw or finding is not Finding.REFERENCE_SILENT:  # which was told of the sun, and knows that
                assert set(np.unique(judgement.verdict)) == {UNKNOWN}


@on_made_days
def test_a_window_of_readings_out_of_range_is_no_better_than_none(build: Build) -> None:
    gauges = {
        n: c for n, c in made(build).raw.items() if not n.endswith(("ac_energy", "energy_index", "charge_energy"))
    }
    raw = {n: Samples(c.time_ms, array("d", [9e15] * len(c)), c.known_ms) for n, c in gauges.items()}
    for judgement in MadeDays(_polled(made(build).home), raw).judged().values():
        assert set(np.unique(judgement.verdict)) == {UNKNOWN}


def _polled(home: Home) -> Home:
    """The home with devices read by our own board: without a row of the board itself, nobody was there to listen."""
    other = copy.copy(home)
    kinds = {SourceKind.FILE: SourceKind.MODBUS_TCP}
    sources = (replace(source, kind=kinds.get(source.kind, source.kind)) for source in home.site.sources)
    other.site = replace(home.site, sources=tuple(sources))
    return other


def test_the_made_days_put_every_detector_to_the_test() -> None:
    seen: dict[Finding, set[int]] = {detector.name: set() for detector in DETECTORS}
    for build in MADE:
        for (finding, _), judgement in made(build).judged().items():
            seen[finding] |= set(np.unique(judgement.verdict).tolist())
    assert seen == {detector.name: {UNKNOWN, OK, FAULT} for detector in DETECTORS}


def test_the_order_of_inputs_in_the_file_is_of_no_account() -> None:
    days = made(input_dead_under_hourly_weather)
    turned = copy.copy(days.home)
    turned.site = replace(days.home.site, arrays=days.home.site.arrays[::-1])
    judged = MadeDays(turned, days.raw).judged()
    assert judged.keys() == days.judged().keys()
    for key, judgement in days.judged().items():
        assert np.array_equal(judgement.verdict, judged[key].verdict)
