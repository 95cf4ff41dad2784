"""A meter behind a broker is silent only where the broker was there to hear it from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import Home, home_site, polled
from watcher.alert.policy import policies
from watcher.align.build import build_window
from watcher.align.window import Bools
from watcher.detect.meter_silent import MeterSilent
from watcher.detect.scene import FAULT, Scene
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import SourceKind
from watcher.expect.day import expect_day, join

START = parse_iso("2026-06-08T00:00:00Z")
MORNING = "2026-06-09T08:00:00Z"
BOARD_SAYS = "board.meter-1.uptime"


def silent_where(reached: Bools | None, home: Home) -> Bools:
    """Where the meter is called silent. reached: where its broker was; None where the board says nothing of it"""
    raw = home.raw()
    if reached is not None:
        rows = [(int(at), 1.0) for at, there in zip(home.times, reached, strict=True) if there]
        raw[BOARD_SAYS] = Samples.of(rows)
    window = build_window(home.site, raw, (), home.start_ms, home.points)
    days = [expect_day(home.site, window, home.start_ms + 288 * GRID_MS * day) for day in range(home.days)]
    scene = Scene(home.site, window, join(days), policies({}).limits())
    return np.asarray(MeterSilent().judge(scene, "meter-1").verdict == FAULT)


@pytest.fixture
def home() -> Home:
    """The inverter is polled by our own board; the meter is heard through a broker, and not from one morning on."""
    made = Home(home_site(sources=(polled("inverter-1"), replace(polled("meter-1"), kind=SourceKind.MQTT))), START, 2)
    made.speaking[made.between(MORNING)] = False
    return made


def patience_points() -> int:
    return int(policies({}).limits()[Finding.METER_SILENT]["hours"] * HOUR_MS) // GRID_MS


def test_a_meter_that_is_silent_at_a_broker_that_is_there_is_called_silent(home: Home) -> None:
    assert silent_where(np.ones(home.points, dtype=bool), home).any()


def test_a_meter_whose_broker_is_away_is_not_called_silent(home: Home) -> None:
    assert not silent_where(~home.between(MORNING), home).any()


def test_a_board_that_says_nothing_of_the_broker_hears_no_silence(home: Home) -> None:
    assert not silent_where(None, home).any()


def test_a_broker_that_comes_back_gives_the_meter_its_whole_patience_again(home: Home) -> None:
    back = "2026-06-09T11:00:00Z"
    silent = silent_where(~home.between(MORNING, back), home)
    first = int(np.argmax(silent))
    assert silent.any()
    # What the board said last before holds for two intervals more.
    waited = first - (parse_iso(back) - START) // GRID_MS + 1
    assert patience_points() - 3 <= waited <= patience_points() + 1
