"""Real plants judged as if somebody had only read their meter: nothing is said of the well, and half gone is found."""

from __future__ import annotations

import csv
import gzip
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from tests.real.conftest import SITES
from watcher.alert.policy import POLICY
from watcher.align.typed import TypedReading, life_of
from watcher.align.window import Floats
from watcher.config.site_file import load_site
from watcher.detect.readings_found import ReadingsJudged, Sureness
from watcher.detect.readings_only import judge_readings
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.domain.site import Meter, MeterRole, SiteRecord
from watcher.expect.expectation import Basis
from watcher.expect.past_energy import past_energy, typical_sunshine
from watcher.expect.past_sunshine import PastSunshine, past_sunshine

SITE = "danish-home"
BEGIN_MS = parse_iso("2018-06-01T00:00:00Z")


@pytest.fixture(scope="module")
def denmark(shared_folder: Path) -> tuple[PastSunshine, Floats]:
    """The horizontal sensor's hours, and the energy of each. [Wh] Rows that the origin added twice are left out."""
    told: dict[str, dict[int, float]] = {"ghi": {}, "temp_air": {}, "wind_speed": {}}
    made: dict[int, float] = {}
    with gzip.open(shared_folder / "data/solete_denmark_hourly/solete_60min.csv.gz", "rt") as lines:
        for row in csv.DictReader(lines):
            begins = parse_iso(datetime.fromisoformat(row["time_local_or_utc"]).isoformat() + "+00:00")
            if 500.0 < float(row["pressure_mbar"]) < 1200.0:
                told["ghi"][begins + HOUR_MS] = 1000.0 * float(row["ghi_kw_m2"])
                told["temp_air"][begins + HOUR_MS] = float(row["t_air_c"])
                told["wind_speed"][begins + HOUR_MS] = float(row["wind_ms"])
            made[begins + HOUR_MS] = 1000.0 * float(row["pv_power_kw"])
    sunshine = past_sunshine(told, Basis.MEASURED)
    return sunshine, np.array([made.get(int(end), 0.0) for end in sunshine.hour_ending_ms])


def record() -> SiteRecord:
    text = (SITES / f"{SITE}.toml").read_text(encoding="utf-8")
    found = load_site(text, SITE, SITE)
    return replace(found, meters=(Meter("meter-1", MeterRole.GENERATION, ("inverter-1",), decimals=0),))


def judged(sunshine: PastSunshine, made: Floats, days: int, basis: Basis = Basis.MEASURED) -> ReadingsJudged:
    """Readings every so many days."""
    own = record()
    ends = sunshine.hour_ending_ms
    if basis is Basis.NONE:
        sunshine = typical_sunshine(own, int(ends[0]) - HOUR_MS, int(ends[-1]))
    energy = past_energy(own, tuple(inverter.id for inverter in own.inverters), sunshine)
    sums = np.cumsum(made)
    readings = [
        TypedReading("meter-1", int(ends[n]), 1000.0 * float(np.floor(sums[n] / 1000.0)))
        for n in range(0, len(ends), 24 * days)
    ]
    life = life_of(own, (), "meter-1")
    return judge_readings(readings, life, energy, basis, POLICY[Finding.OUTPUT_LOW].limits)


@pytest.mark.parametrize("days", [28, 91])
@pytest.mark.parametrize("basis", [Basis.MEASURED, Basis.NONE])
def test_fifteen_months_in_denmark_accuse_nobody(denmark: tuple[PastSunshine, Floats], days: int, basis: Basis) -> None:
    found = judged(*denmark, days, basis)
    assert [one for one in found.findings if one.sureness is not Sureness.QUESTION] == []
    assert found.untold is None
    assert len(found.held) >= 4


def test_half_of_it_gone_after_ten_months_would_have_been_found(denmark: tuple[PastSunshine, Floats]) -> None:
    sunshine, made = denmark
    gone_ms = parse_iso("2019-04-01T00:00:00Z")
    half = np.where(sunshine.hour_ending_ms > gone_ms, 0.5 * made, made)
    (found,) = judged(sunshine, half, 28).findings
    assert found.finding is Finding.OUTPUT_LOW
    assert found.share == pytest.approx(0.5, abs=0.1)  # it lost a tenth by itself meanwhile
    assert found.onset_low_ms <= gone_ms <= found.onset_high_ms
