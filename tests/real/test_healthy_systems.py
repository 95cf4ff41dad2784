"""Systems that were well, or whose trouble is not of the named kinds: whole years in which nothing must be said.

Figures from the notes beside the datasets.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.real.conftest import SITES, Told, import_table
from watcher.config.site_file import load_site
from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.site import SiteRecord
from watcher.replay import replay
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files

Importing = Callable[[str, str, str], Told]


@pytest.mark.slow
def test_fifteen_months_in_denmark_raise_nothing(told: Importing) -> None:
    denmark = told("danish-home", "solete", "solete_denmark_hourly/solete_60min.csv.gz")
    # Against its nameplate this plant makes about a sixth less than the model, and 7 % less in its second August
    # than in its first (power by in-plane irradiance, monthly medians 6.83 and 6.37): slow, and not what a day shows.
    assert denmark.alerts == []
    assert denmark.summary["settled_days"] >= 456


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mount", "ac_kwh"), [pytest.param("roof", 5938.05, id="roof"), pytest.param("rack", 6023.67, id="rack")]
)
def test_the_worked_year_near_denver_adds_up_and_raises_nothing(
    shared_folder: Path, tmp_path: Path, mount: str, ac_kwh: float
) -> None:
    site, table = f"denver-{mount}", f"worked_example_pvwatts_denver/{mount}mount_8760.csv.gz"
    import_table(tmp_path, site, "worked_example", shared_folder / "data" / table)
    text = (SITES / f"{site}.toml").read_text(encoding="utf-8")
    with SqliteReadings(Files(tmp_path / "data").readings) as readings, Ledger("sqlite://") as recorded:
        # The table ends with the year; its last day settles in the night after it, when nothing more has come.
        readings.append({site: []}, parse_iso("2024-01-01T05:00:00-07:00"))
        with replay(site, readings, recorded, lambda text: load_site(text, site, site), text=text) as ledger:
            alerts = [alert.id for alert in ledger.alerts(site)]
            days = [day for day in ledger.days(site) if day.day.year == 2023]
    assert alerts == []
    assert len(days) == 365
    assert sum(day.generated_wh or 0.0 for day in days) / 1000 == pytest.approx(ac_kwh, rel=0.001)
    assert sum(day.expected_wh or 0.0 for day in days) / 1000 == pytest.approx(ac_kwh, rel=0.01)


def test_five_days_of_eight_inverters_behind_a_meter_raise_nothing(told: Importing) -> None:
    plant = told("eight-inverters", "eight_inverters", "anon_plant_meter_vs_8_inverters/five_days_5min.csv.gz")
    assert plant.alerts == []
    assert plant.summary["settled_days"] == 5


@pytest.mark.slow
def test_sentinels_are_no_energy_and_a_nine_month_gap_is_one_silent_inverter(told: Importing) -> None:
    site = told("us-1", "us_ac_power", "us_5min_ac_power_raw_faults/site_1_5min.csv.gz")
    assert "34582 rows, 34579 kept" in site.imported
    assert "3 values refused" in site.imported
    assert site.imported.count('ac_power_kw = "-1000000.0": must be -10000000 to 10000000 W') == 3
    # Of an inverter that is not heard for nine months one may say that; not that it makes nothing.
    (alert,) = site.alerts
    assert alert["kind"] == "inverter-silent"
    gap_ms = [parse_iso("2016-10-06T01:30:00Z"), parse_iso("2017-07-07T23:40:00Z")]
    assert abs(parse_iso(alert["onset"]) - gap_ms[0]) <= 15 * MINUTE_MS
    assert 0 <= parse_iso(alert["cleared"]) - gap_ms[1] <= HOUR_MS
    assert alert["loss_kwh"] == 0.0
    with site.readings() as readings, replay("us-1", readings, Ledger("sqlite://"), _us_1, text=site.text) as ledger:
        generated = [day.generated_wh for day in ledger.days("us-1")]
    # A kilowatt-hour would be one sentinel's share: the greatest day of a 7 kW inverter is 7 kW from dawn to dusk.
    assert all(wh is None or 0.0 <= wh < 16 * 7_000.0 for wh in generated)
    assert sum(wh is None for wh in generated) >= 270


def _us_1(text: str) -> SiteRecord:
    return load_site(text, "us-1", "us-1")


@pytest.mark.slow
def test_two_seasons_of_ac_power_alone_raise_nothing(told: Importing) -> None:
    site = told("us-2", "us_ac_power", "us_5min_ac_power_raw_faults/site_2_5min.csv.gz")
    assert site.kinds() <= {"inverter-silent"}
