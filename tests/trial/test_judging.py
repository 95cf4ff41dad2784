"""A few days of the trial through the real program: the seam between the two, not the program's own merit."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.bench.trial.calendar import Year
from tests.bench.trial.generate import generate
from tests.bench.trial.judging import judge, keep, kept, kept_path
from tests.bench.trial.plan import Basis, Fault, SitePlan, Track, plan
from watcher.domain.instant import DAY_MS, parse_iso

DAYS = 12
SUMMER = Year(parse_iso("2025-06-01T00:00:00Z"), DAYS)


def short(basis: Basis, *faults: Fault) -> SitePlan:
    healthy = next(one for one in plan(5, 40) if one.basis is basis and one.healthy)
    return replace(healthy, year=SUMMER, faults=faults)


@pytest.mark.slow
@pytest.mark.parametrize("basis", [Basis.SENSOR, Basis.SATELLITE])
def test_the_program_judges_every_day_of_a_healthy_site(basis: Basis, tmp_path: Path) -> None:
    found = judge(generate(short(basis)))
    settled = [date.fromordinal(int(ordinal)) for ordinal in found.days[:, 0]]
    # Before the first day lies an hour of another civil day; the last settles only the next morning.
    assert settled == [date(2025, 5, 31) + timedelta(days=n) for n in range(DAYS)]
    ratio = found.days[:, 1] / found.days[:, 3]
    assert 0.6 < float(np.nanmedian(ratio)) < 1.4, "two kinds of physics, one roof"
    assert {one.finding for one in found.wrongs} <= {"area-event", "reference-wrong"}
    path = kept_path(tmp_path, found.plan)
    keep(path, found)
    assert kept(path, found.plan).said == found.said


@pytest.mark.slow
def test_the_program_finds_a_roof_that_makes_nothing() -> None:
    dead = Fault("no-generation", Track.PLANT, 5.25, 4.0, 100, "", 1)
    found = judge(generate(short(Basis.SENSOR, dead)))
    opened = [one for one in found.said if one.finding == "no-generation"]
    assert opened
    onset_ms = SUMMER.begin_ms + round(5.25 * DAY_MS)
    assert onset_ms < opened[0].opened_ms < onset_ms + DAY_MS
