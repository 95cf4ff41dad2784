"""A sensor that is gone, dirty, turned or stuck is told; a plant that fails, a dull week and a late feed are not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_days import JUNE, MadeDays
from tests.detect.made_homes import SOUTH, Home, by_day, home_site, means, polled
from tests.detect.made_lines import judged, told
from watcher.align.window import Floats
from watcher.detect.scene import FAULT, Judgement
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples

Bend = Callable[[int, float], float]
"""From time [ms] and value to what the sensor says."""


def bent(raw: dict[str, Samples], bend: Bend, channel: str = "sensor-1.ghi") -> dict[str, Samples]:
    rows = zip(raw[channel].time_ms, raw[channel].value, strict=True)
    return {**raw, channel: Samples.of((at, bend(at, value)) for at, value in rows)}


def judgement_of(home: Home, raw: dict[str, Samples], finding: Finding, subject: str = "sensor-1") -> Judgement:
    return MadeDays(home, raw).judged()[finding, subject]


def sunny_home(days: int, sky: Floats | float = 1.0, **facts: object) -> tuple[Home, dict[str, Samples]]:
    home = Home(home_site(SOUTH, meters=(), **facts), JUNE, days, sky, noise=0.01)
    return home, {name: column for name, column in home.raw().items() if ".input" not in name}


@pytest.mark.parametrize(("factor", "cause"), [(0.6, "says-less"), (0.8, "says-less"), (1.25, "says-more")])
def test_a_sensor_that_changes_its_scale_is_told_on_the_third_clear_day(factor: float, cause: str) -> None:
    home, raw = sunny_home(13)
    since_ms = JUNE + 9 * DAY_MS
    found = judgement_of(
        home, bent(raw, lambda at, w: w * (factor if at >= since_ms else 1.0)), Finding.REFERENCE_WRONG
    )
    faults = np.flatnonzero(found.verdict == FAULT)
    assert faults[0] // POINTS_A_DAY == 12, "the third day settles on the next morning"
    assert found.cause_sets[found.cause[faults[0]]] == (cause,)
    assert abs(int(found.onset_ms[faults[0]]) - since_ms) <= DAY_MS
    said = found.evidence(int(faults[-1]))["difference_percent"]
    assert said == pytest.approx(100.0 * (factor - 1.0), abs=6.0)


def test_a_sensor_that_gets_dirty_slowly_is_told_before_a_quarter_is_gone() -> None:
    home, raw = sunny_home(40)
    soiled = bent(raw, lambda at, w: w * (1.0 - 0.01 * max(at - JUNE - 8 * DAY_MS, 0) / DAY_MS))
    with judged(home, soiled) as ledger:
        (alert,) = told(ledger, Finding.REFERENCE_WRONG)
        assert told(ledger, Finding.OUTPUT_LOW) == []
    assert alert.opened_ms is not None
    assert alert.opened_ms < JUNE + 33 * DAY_MS


def test_a_plant_that_loses_a_fifth_is_no_sensor_that_says_more() -> None:
    home, _ = sunny_home(20)
    for share in home.share.values():
        share[home.between("2026-06-20T00:00:00Z")] *= 0.8
    with judged(home) as ledger:
        assert told(ledger, Finding.REFERENCE_WRONG) == []
        assert [alert.subject for alert in told(ledger, Finding.OUTPUT_LOW)] == ["inverter-1"]


def test_while_a_sensor_says_too_much_the_plant_is_not_accused() -> None:
    home, raw = sunny_home(40)
    since_ms, until_ms = JUNE + 20 * DAY_MS, JUNE + 32 * DAY_MS
    odd = bent(raw, lambda at, w: w * (1.15 if since_ms <= at < until_ms else 1.0))
    with judged(home, odd) as ledger:
        (alert,) = told(ledger, Finding.REFERENCE_WRONG)
        assert told(ledger, Finding.OUTPUT_LOW) == []
    assert alert.cleared_ms is not None
    assert until_ms < alert.cleared_ms <= until_ms + 4 * DAY_MS


def test_a_dull_week_moves_nothing() -> None:
    home, raw = sunny_home(16, by_day(*[1.0] * 9, *[0.3] * 7))
    assert FAULT not in judgement_of(home, raw, Finding.REFERENCE_WRONG).verdict


def test_a_sensor_that_says_the_same_for_hours_is_stuck() -> None:
    home, raw = sunny_home(3)
    first, last = parse_iso("2026-06-11T08:00:00Z"), parse_iso("2026-06-11T13:00:00Z")
    found = judgement_of(home, bent(raw, lambda at, w: 512.0 if first <= at < last else w), Finding.REFERENCE_WRONG)
    (at,) = np.flatnonzero(found.verdict == FAULT)
    assert found.cause_sets[found.cause[at]] == ("stuck",)
    assert found.evidence(int(at)) == {"stuck_hours": 5.0}


def gone(raw: dict[str, Samples], device: str, first_ms: int, last_ms: int) -> dict[str, Samples]:
    found = dict(raw)
    for name in [name for name in raw if name.startswith(f"{device}.")]:
        rows = zip(raw[name].time_ms, raw[name].value, strict=True)
        found[name] = Samples.of((at, value) for at, value in rows if not first_ms <= at < last_ms)
    return found


@pytest.mark.parametrize(("hours", "is_told"), [(6, False), (24, True)])
def test_a_sensor_is_missed_after_eight_hours_of_sun(hours: int, is_told: bool) -> None:
    home, raw = sunny_home(3)
    first_ms = parse_iso("2026-06-11T07:00:00Z")
    found = judgement_of(home, gone(raw, "sensor-1", first_ms, first_ms + hours * HOUR_MS), Finding.REFERENCE_SILENT)
    faults = np.flatnonzero(found.verdict == FAULT)
    assert bool(len(faults)) == is_told
    if is_told:
        begins_ms = home.start_ms + 300_000 * (int(faults[0]) + 1)
        assert first_ms + 8 * HOUR_MS <= begins_ms <= first_ms + 8.2 * HOUR_MS
        assert found.onset_ms[faults[0]] <= first_ms


def test_a_sensor_is_not_missed_while_nobody_listened() -> None:
    home, _ = sunny_home(3)
    home.listening &= ~home.between("2026-06-11T04:00:00Z", "2026-06-12T06:00:00Z")
    assert FAULT not in judgement_of(home, home.raw(), Finding.REFERENCE_SILENT).verdict


def feed_home(days: int) -> tuple[Home, dict[str, Samples]]:
    sources = (polled("inverter-1"), means("weather-analysis", 3600.0))
    home = Home(home_site(SOUTH, meters=(), sensors=(), sources=sources), JUNE, days, noise=0.01)
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    return home, raw | home.weather("weather-analysis", 60)


def day_late(column: Samples) -> Samples:
    """As it comes from who sends yesterday at six in the morning."""
    known = [time_ms // DAY_MS * DAY_MS + DAY_MS + 6 * HOUR_MS for time_ms in column.time_ms]
    return replace(column, known_ms=type(column.time_ms)("q", known))


def test_a_feed_that_always_comes_a_day_late_is_not_silent() -> None:
    home, raw = feed_home(8)
    late = {name: day_late(column) if name.startswith("weather") else column for name, column in raw.items()}
    found = judgement_of(home, late, Finding.REFERENCE_SILENT, "weather-analysis")
    assert FAULT not in found.verdict
    ended_ms = JUNE + 2 * DAY_MS
    missing = gone(late, "weather-analysis", ended_ms, home.end_ms)
    missing = {name: day_late(c) if name.startswith("weather") else c for name, c in missing.items()}
    assert FAULT in judgement_of(home, missing, Finding.REFERENCE_SILENT, "weather-analysis").verdict
