"""Site-years as a whole: the same from the same seed, every fault in its turn, truth that adds up."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from tests.bench.trial.generate import SiteYear, generate
from tests.bench.trial.history import InMemory, through_ms
from tests.bench.trial.plan import PACK, SIZES, Basis, Track, plan
from tests.bench.trial.references import Told
from watcher.config.site_file import load_site
from watcher.domain.instant import DAY_MS
from watcher.domain.reading import Reading
from watcher.store.readings import SqliteReadings

PLANS = plan(3, 16)


@pytest.fixture(scope="module")
def years() -> list[SiteYear]:
    return [generate(one) for one in PLANS]


def test_a_seed_gives_the_same_year_again(years: list[SiteYear]) -> None:
    again = generate(PLANS[5])
    assert again.text == years[5].text
    assert again.typed == years[5].typed
    for name, column in years[5].told.items():
        assert np.array_equal(again.told[name].value, column.value), name
        assert np.array_equal(again.told[name].time_ms, column.time_ms), name


def test_other_seeds_give_other_years(years: list[SiteYear]) -> None:
    assert generate(plan(4, 1)[0]).made_w.sum() != years[0].made_w.sum()


def test_the_first_sites_are_the_same_however_many_are_asked_for() -> None:
    assert plan(3, 40)[:16] == PLANS


def test_three_hundred_site_years_hold_every_fault_twenty_times() -> None:
    sites = plan(1, 300)
    counts = Counter(fault.finding for one in sites for fault in one.faults)
    assert min(counts[card.finding] for card in PACK) >= 20
    assert 140 <= sum(one.healthy for one in sites) <= 160
    sizes = Counter(
        fault.size for one in sites for fault in one.faults if fault.finding in ("output-low", "no-generation")
    )
    assert max(sizes[size] for size in (*SIZES, 100)) <= 1.35 * min(sizes[size] for size in (*SIZES, 100))
    assert set(Counter(one.basis for one in sites).values()) == {75}


def test_faults_of_one_track_never_overlap() -> None:
    for one in plan(2, 100):
        for track in Track:
            mine = [fault for fault in one.faults if fault.track is track]
            for before, after in pairwise(mine):
                assert before.first_day + before.days < after.first_day


def test_what_was_lost_is_what_was_not_made(years: list[SiteYear]) -> None:
    for one in years:
        lost = sum(float(wrong.lost_wh.sum()) for wrong in one.wrongs if wrong.kind == "energy")
        # Now and then one shadow takes the place of a darker one: what was gained so is not set off against the loss.
        assert lost == pytest.approx(float((one.healthy_w - one.made_w).sum()) / 12.0, rel=1e-3, abs=1.0), one.plan.id


def test_a_healthy_site_has_nothing_wrong_but_its_surroundings(years: list[SiteYear]) -> None:
    healthy = [one for one in years if one.plan.healthy]
    assert healthy
    for one in healthy:
        assert {wrong.finding for wrong in one.wrongs} <= {"area-event", "reading-doubtful", "reference-wrong"}
        assert np.array_equal(one.made_w, one.healthy_w)


def test_every_site_file_is_a_good_one(years: list[SiteYear]) -> None:
    for one in years:
        site = load_site(one.text, "trial", one.plan.id).at(one.plan.year.begin_ms)
        known = site.devices()
        assert all(name.partition(".")[0] in known for name in one.told)


def test_rows_stand_in_order_and_are_finite(years: list[SiteYear]) -> None:
    for one in years:
        for name, column in one.told.items():
            assert (np.diff(column.time_ms) > 0).all(), name
            assert np.isfinite(column.value).all(), name


def test_each_basis_has_its_reference_and_no_other(years: list[SiteYear]) -> None:
    device = {Basis.SENSOR: "sensor-1", Basis.SATELLITE: "weather-analysis", Basis.FORECAST: "weather-forecast"}
    for one in years:
        found = {name.partition(".")[0] for name in one.told} & set(device.values())
        assert found == ({device[one.plan.basis]} if one.plan.basis in device else set())


def test_the_history_in_memory_answers_as_the_store_does(years: list[SiteYear]) -> None:
    late = next(one for one in years if any((column.known_ms > column.time_ms).any() for column in one.told.values()))
    first_ms = int(
        next(c.time_ms[c.known_ms > c.time_ms][0] for c in late.told.values() if (c.known_ms > c.time_ms).any())
    )
    low_ms, high_ms = first_ms - DAY_MS, first_ms + 3 * DAY_MS
    told: dict[str, Told] = {}
    for name, column in late.told.items():
        part = (column.time_ms >= low_ms) & (column.time_ms < high_ms)
        if part.any():
            told[name] = Told(column.time_ms[part], column.value[part], column.known_ms[part])
    by_receipt: dict[int, list[Reading]] = {}
    for name, column in told.items():
        for time_ms, value, known_ms in zip(
            *(x.tolist() for x in (column.time_ms, column.value, column.known_ms)), strict=True
        ):
            by_receipt.setdefault(known_ms, []).append(Reading(name, time_ms, value))
    memory = InMemory(told, through_ms(low_ms, 20))
    with SqliteReadings(":memory:") as store:
        for known_ms in sorted(by_receipt):
            store.append({"home": by_receipt[known_ms]}, known_ms)
        for seen_ms in (low_ms + DAY_MS, first_ms + DAY_MS // 2, high_ms + 12 * DAY_MS):
            for start_ms in (low_ms, low_ms + DAY_MS):
                asked = ("home", None, start_ms, start_ms + DAY_MS, seen_ms)
                assert memory.window(*asked) == {name: rows for name, rows in store.window(*asked).items() if len(rows)}
        end_ms = high_ms + 15 * DAY_MS
        assert sorted(memory.late("home", low_ms, end_ms)) == sorted(store.late("home", low_ms, end_ms))
        assert memory.first("home") == store.first("home")
        assert memory.last("home") == store.last("home")
