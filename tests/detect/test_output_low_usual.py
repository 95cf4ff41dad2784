"""output-low: what is usual for a plant is kept beyond the fourteen days its window reaches back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, broken, by_day, home_site, record_of
from tests.detect.made_lines import bench, judged, stored, told
from watcher.catch_up import catch_up
from watcher.domain.alert import ClosedAs, MailReason
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, parse_iso
from watcher.domain.site import SiteRecord
from watcher.store.ledger import Ledger

START_MS = parse_iso("2026-04-20T00:00:00Z")
# Six good days, sixteen too dark to judge, three good ones.
BRIGHT, DARK, AFTER = 6, 16, 3
SKY = by_day(*[0.95] * BRIGHT, *[0.06] * DARK, *[0.95] * AFTER)


def _judged(before: float, after: float, new_facts_ms: int = 0) -> Ledger:
    """A plant read by its AC power alone that makes a share of its nameplate, and another one after the dark days."""
    home = Home(home_site(SOUTH, meters=()), START_MS, BRIGHT + DARK + AFTER, SKY)
    share = home.share["inverter-1.input-1"]
    share *= before
    share[home.between("2026-05-10T00:00:00Z")] *= after / before
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    record = record_of(home.site)
    if new_facts_ms:
        again = replace(SOUTH, peak_power_w=SOUTH.peak_power_w + 1.0, from_ms=new_facts_ms)
        record = SiteRecord(home.site, (SOUTH, again), record.inverters, (), record.sensors)
    with stored(home, raw) as store:
        case = replace(bench(home, store), parse=lambda _text: record)
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        return case.ledger


def test_a_plant_that_always_made_less_than_its_nameplate_is_not_accused_after_a_dark_fortnight() -> None:
    assert told(_judged(0.84, 0.78)) == []


def test_a_fault_in_the_dark_is_told_against_what_was_usual_before() -> None:
    (alert,) = told(_judged(0.99, 0.70))
    assert alert.finding is Finding.OUTPUT_LOW
    # Held against 0.99 and not against what the newest days make of themselves.
    assert alert.evidence["share"] == pytest.approx(0.70, abs=0.02)


def test_days_judged_under_other_facts_are_no_measure() -> None:
    # With the panels of another day on file nothing is known of what is usual, and 0.78 of nameplate is low.
    (alert,) = told(_judged(0.84, 0.78, new_facts_ms=START_MS + 12 * DAY_MS))
    assert alert.finding is Finding.OUTPUT_LOW


@pytest.mark.slow
def test_once_there_is_a_level_of_its_own_a_small_loss_is_told_with_its_day_its_size_and_its_end() -> None:
    days = 58
    home = Home(home_site(SOUTH, meters=()), START_MS, days, broken(days * POINTS_A_DAY, 9), noise=0.03)
    lost = home.between("2026-06-02T00:00:00Z", "2026-06-12T00:00:00Z")
    home.share["inverter-1.input-1"] *= 0.9
    home.share["inverter-1.input-1"][lost] *= 0.88
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.closed_as) == (Finding.OUTPUT_LOW, ClosedAs.RECOVERED)
        assert alert.opened_ms is not None
        assert alert.cleared_ms is not None
        assert parse_iso("2026-06-03T00:00:00Z") < alert.opened_ms <= parse_iso("2026-06-08T04:00:00Z")
        assert parse_iso("2026-06-13T00:00:00Z") < alert.cleared_ms <= parse_iso("2026-06-17T04:00:00Z")
        assert alert.onset_low_ms <= parse_iso("2026-06-02T00:00:00Z") <= alert.onset_high_ms
        expected_w = home.possible.by_subject["inverter-1"].expected[lost]
        lost_kwh = float(np.nansum(expected_w)) * 0.9 * 0.12 / 12_000
        assert alert.loss_low_mwh / 1e6 <= lost_kwh <= alert.loss_high_mwh / 1e6
        (opened,) = [
            mail for mail in ledger.mails("home-1") if (mail.reason, mail.role) == (MailReason.OPENED, "owner")
        ]
        assert float(opened.alert.evidence["share"]) == pytest.approx(0.88, abs=0.03)


def test_what_days_left_behind_comes_back_as_it_was_and_each_revision_once() -> None:
    with _judged(0.84, 0.84) as ledger:
        figures = [one for one in ledger.figures("home-1", 0, 2**62) if one.finding is Finding.OUTPUT_LOW]
        assert [figure.day for figure in figures] == [day.day for day in ledger.days("home-1")]
        judged = [figure for figure in figures if figure.values["status"] > 0.0]
        assert len(judged) == BRIGHT + AFTER - 1  # the last day has not settled
        for figure in judged:
            assert figure.values["made_wh"] / figure.values["allowed_wh"] == pytest.approx(0.84, abs=0.02)
        middle_ms = figures[9].settled_ms
        between = ledger.figures("home-1", figures[4].settled_ms, middle_ms)
        assert [one for one in between if one.finding is Finding.OUTPUT_LOW] == figures[5:10]
