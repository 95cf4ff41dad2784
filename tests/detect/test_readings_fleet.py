"""A fleet judged on the best there is: sunshine, else neighbours, else a typical sky; and nobody's judge is another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_readings import QUARTERS, energy, life, read, record, shares
from watcher.alert.policy import POLICY
from watcher.align.window import Floats
from watcher.detect.readings_fleet import NEAR_KM, SiteReadings, apart_km, judge_fleet
from watcher.detect.readings_found import ReadingsJudged
from watcher.domain.finding import Finding
from watcher.expect.expectation import Basis

SUN = energy()
LIMITS = POLICY[Finding.OUTPUT_LOW].limits
WEATHER = np.exp(np.random.default_rng(8).normal(0.0, 0.12, QUARTERS - 1))


def site(n: int, share: Floats, *, sun: bool = False, degrees_north: float = 0.0) -> SiteReadings:
    """A site under weather that a typical sky knows nothing of. sun: its sunshine is known, weather and all"""
    whole = record()
    base = replace(whole.base, id=f"home-{n}", latitude_deg=whole.base.latitude_deg + degrees_north)
    own = life(of=replace(whole, base=base))
    if sun:
        return SiteReadings(own, read(share, SUN), SUN, SUN, Basis.SATELLITE)
    return SiteReadings(own, read(np.asarray(share * WEATHER), SUN), SUN)


def fleet(count: int, **facts: float) -> list[SiteReadings]:
    return [site(n, shares(seed=n), **facts) for n in range(count)]  # type: ignore[arg-type]


def half_dead(quarter: int = 20) -> Floats:
    return np.asarray(np.where(np.arange(QUARTERS - 1) >= quarter, 0.5, 1.0) * shares(seed=99))


def judged(sites: list[SiteReadings]) -> list[ReadingsJudged]:
    return judge_fleet(sites, LIMITS)


def test_each_is_judged_on_the_best_there_is() -> None:
    known, alone = site(50, shares(), sun=True), site(51, shares(), degrees_north=3.0)
    found = judged([*fleet(7), known, alone])
    assert {one.basis for one in found[:7]} == {Basis.PEERS}
    assert [one.basis for one in found[7:]] == [Basis.SATELLITE, Basis.NONE]


def test_neighbours_take_the_weather_out() -> None:
    """Quarters that differ by an eighth are told from each other by a twentieth."""
    near, far = judged(fleet(12))[0], judged([site(0, shares(seed=0))])[0]
    spread = [np.std([held.made_wh / held.usual_wh for held in one.held]) for one in (near, far)]
    assert spread[0] < 0.6 * spread[1]


def test_half_dead_is_found_among_neighbours_and_they_are_not_accused() -> None:
    found = judged([*fleet(12), site(99, half_dead())])
    assert [one.finding for one in found[-1].findings] == [Finding.OUTPUT_LOW]
    assert found[-1].findings[0].share == pytest.approx(0.5, abs=0.08)
    assert [one for other in found[:-1] for one in other.findings] == []


def test_the_order_of_asking_is_of_no_account() -> None:
    sites = [*fleet(6), site(99, half_dead())]
    ahead, behind = judged(sites), judged(sites[::-1])
    for one, other in zip(ahead, behind[::-1], strict=True):
        assert [held.usual_wh for held in one.held] == pytest.approx([held.usual_wh for held in other.held], rel=1e-6)


def test_who_knows_its_own_sunshine_hangs_on_nobody() -> None:
    known = site(50, half_dead(), sun=True)
    assert judged([known]) == judged([*fleet(6), known])[-1:]


def test_a_site_may_bend_the_limits_for_itself() -> None:
    dead = site(50, half_dead(), sun=True)
    (found,) = judged([replace(dead, limits={"readings_least_satellite": 0.7})])
    assert found.findings == ()


def test_the_way_between_two_sites_is_in_kilometres() -> None:
    here, there = site(1, shares()), site(2, shares(), degrees_north=0.5)
    assert apart_km(here, there) == pytest.approx(55.6, abs=0.5)  # a degree of latitude is 111.2 km
    assert apart_km(here, here) == 0.0
    assert 50.0 < NEAR_KM < 150.0
