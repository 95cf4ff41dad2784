"""What is learned on the way is the same however time is cut, and nothing is learned before its time."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, broken, home_site
from tests.detect.made_lines import bench, stored
from watcher.catch_up import catch_up
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, from_ms, parse_iso
from watcher.domain.model import Choice, Model
from watcher.domain.sheet import unpack
from watcher.replay import differences
from watcher.store.ledger import Ledger
from watcher.train import EVERY_DAYS, due

BEFORE, DAYS = 33, 51
"""The first midnight at which enough is there to learn from; a fortnight later it has been tried."""

ALL = -(2**62), 2**62


def shaded_home() -> Home:
    made_ms = next(ms for ms in range(parse_iso("2026-05-01T00:00:00Z"), 2**62, DAY_MS) if due(ms))
    home = Home(
        home_site(SOUTH, meters=()), made_ms - BEFORE * DAY_MS, DAYS, broken(DAYS * POINTS_A_DAY, 21), noise=0.01
    )
    morning = home.possible.sun_azimuth_deg < 140.0
    for share in home.share.values():
        share[morning] *= 0.7
    return home


@pytest.fixture(scope="module")
def lines() -> Iterator[tuple[Home, Ledger, Ledger]]:
    """The same readings judged in one go, and by workers that come and go at odd points."""
    home = shaded_home()
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    with stored(home, raw) as store:
        whole, cut = bench(home, store), bench(home, store)
        for _ in catch_up(whole, from_ms=home.start_ms):
            pass
        chance = np.random.default_rng(5)
        stops = [home.start_ms + DAY_MS * BEFORE + k * 300_000 * int(chance.integers(1, 400)) for k in range(18)]
        for stop_ms in [*sorted(stops), home.end_ms]:
            worker = bench(home, store)
            worker.ledger.close()
            worker.ledger = cut.ledger
            for _ in catch_up(worker, through_ms=stop_ms, from_ms=home.start_ms):
                pass
        with whole.ledger, cut.ledger:
            yield home, whole.ledger, cut.ledger


def models(ledger: Ledger) -> list[Model]:
    return ledger.models("home-1", *ALL)


@pytest.mark.slow
def test_however_time_is_cut_the_same_is_learned_and_judged(lines: tuple[Home, Ledger, Ledger]) -> None:
    _, whole, cut = lines
    assert differences("home-1", whole, cut) == []


@pytest.mark.slow
def test_a_model_is_used_from_the_midnight_it_was_made_at_and_not_before(lines: tuple[Home, Ledger, Ledger]) -> None:
    home, whole, _ = lines
    assert [(one.made_ms - home.start_ms) // DAY_MS for one in models(whole)] == [
        day for day in range(1, DAYS) if due(home.start_ms + day * DAY_MS)
    ]
    used = [one for one in models(whole) if one.choice is Choice.USED]
    assert [one.made_ms for one in used] == [home.start_ms + (BEFORE + EVERY_DAYS) * DAY_MS]
    first = from_ms(used[0].made_ms).date()
    for kept in whole.sheets("home-1", date.min, date.max):
        sheet = unpack(kept.content)
        moved = [
            (a, b)
            for a, b in zip(
                sheet.values("inverter-1.expected"), sheet.values("inverter-1.uncorrected"), strict=True
            )
            if a != b and b is not None
        ] if "inverter-1.uncorrected" in sheet.columns else []  # fmt: skip
        assert bool(moved) == (kept.day >= first)


@pytest.mark.slow
def test_every_day_a_model_learned_from_had_settled_before_it_was_made(lines: tuple[Home, Ledger, Ledger]) -> None:
    _, whole, _ = lines
    settled = {day.day.toordinal(): day.settled_ms for day in whole.days("home-1")}
    made = [one for one in models(whole) if one.days]
    assert made
    for one in made:
        assert settled[one.last_day] <= one.made_ms
