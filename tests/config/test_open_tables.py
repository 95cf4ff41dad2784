"""The maps of the open datasets read them whole; figures from the notes beside the datasets."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from watcher.domain.instant import parse_iso
from watcher.table.columns import TableRead, load_columns, read_table

MAPS = Path(__file__).resolve().parents[1] / "real" / "columns"


def read(shared_folder: Path, map: str, table: str) -> TableRead:
    path = MAPS / f"{map}.toml"
    columns = load_columns(path.read_text(encoding="utf-8"), path.name)
    with gzip.open(shared_folder / "data" / table, "rt", encoding=columns.encoding, newline="") as lines:
        return read_table(lines, columns, table)


def series(table: TableRead, channel: str) -> list[tuple[int, float]]:
    return [(reading.time_ms, reading.value) for reading in table.readings if reading.channel == channel]


def test_the_danish_year_loses_its_doubled_hours_and_nothing_else(shared_folder: Path) -> None:
    table = read(shared_folder, "solete", "solete_denmark_hourly/solete_60min.csv.gz")
    assert (table.rows, table.refused_count, table.kept) == (10_969, 456, 10_969 - 456)
    assert {problem.key for problem in table.refused} == {"pressure_mbar"}
    assert len(table.readings) == 7 * table.kept


def test_the_meter_counter_and_its_gap_in_irradiance_are_read(shared_folder: Path) -> None:
    table = read(shared_folder, "meter_counter", "om_events_and_meter_counters/meter_counter_power_poa_15min.csv.gz")
    assert (table.rows, table.kept, table.refused_count, table.missing) == (666, 666, 0, 191)
    index = [value / 1000 for _, value in series(table, "meter-1.energy_index")]
    assert index == sorted(index)
    assert {5_220_840.0, 5_220_855.0} <= set(index)
    at, _ = series(table, "inverter-1.ac_power")[0]
    assert at == parse_iso("2018-09-14T02:15:00-04:00")


@pytest.mark.parametrize(
    ("mount", "ac_kwh", "dc_kwh"), [("rackmount", 6023.67, 6291.91), ("roofmount", 5938.05, 6201.02)]
)
def test_the_worked_year_adds_up_to_what_was_published(
    shared_folder: Path, mount: str, ac_kwh: float, dc_kwh: float
) -> None:
    table = read(shared_folder, "worked_example", f"worked_example_pvwatts_denver/{mount}_8760.csv.gz")
    assert (table.rows, table.kept, table.refused_count, len(table.readings)) == (8760, 8760, 0, 7 * 8760)
    power = series(table, "inverter-1.ac_power")
    assert power[0][0] == parse_iso("2023-01-01T01:00:00-07:00"), "a mean is dated with the end of its hour"
    assert sum(value for _, value in power) / 1000 == pytest.approx(ac_kwh, abs=0.005)
    assert sum(value for _, value in series(table, "inverter-1.dc_power")) / 1000 == pytest.approx(dc_kwh, abs=0.005)
    assert sum(value for _, value in series(table, "sensor-1.poa_irradiance")) / 1000 == pytest.approx(
        1930.894, abs=0.001
    )
