"""Systems that were well, or whose trouble is not of the named kinds: whole years in which nothing must be said.

Figures from the notes beside the datasets.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.real.conftest import SITES, Told, import_table
from watcher.config.site_file import load_site
from watcher.domain.instant import parse_iso
from watcher.replay import replay
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files

Importing = Callable[[str, str, str], Told]


@pytest.mark.slow
def test_fifteen_months_in_denmark_without_an_outage_raise_none(told: Importing) -> None:
    denmark = told("danish-home", "solete", "solete_denmark_hourly/solete_60min.csv.gz")
    # Against its nameplate this plant makes about a fifth less than the model, and 7 % less in its second August
    # than in its first (power by in-plane irradiance, monthly medians 6.83 and 6.37); whether that is a fault is open.
    assert denmark.kinds() <= {"output-low"}
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
def test_sentinels_and_a_nine_month_gap_raise_nothing(told: Importing) -> None:
    site = told("us-1", "us_ac_power", "us_5min_ac_power_raw_faults/site_1_5min.csv.gz")
    assert "34582 rows, 34579 kept" in site.imported
    assert "3 values refused" in site.imported
    assert site.imported.count('ac_power_kw = "-1000000.0": must be -10000000 to 10000000 W') == 3
    # Of an inverter that is not heard for nine months one may say that; not that it makes nothing.
    assert site.kinds() <= {"inverter-silent"}


@pytest.mark.slow
def test_two_seasons_of_ac_power_alone_raise_nothing(told: Importing) -> None:
    site = told("us-2", "us_ac_power", "us_5min_ac_power_raw_faults/site_2_5min.csv.gz")
    assert site.kinds() <= {"inverter-silent"}
