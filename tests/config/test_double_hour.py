"""Case D1: the October hour that happens twice, in a local-time table."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.domain.instant import iso
from watcher.table.columns import TableRead, load_columns, read_table

MAP = """\
[time]
column = "time"
format = "%Y-%m-%d %H:%M"
zone = "Europe/London"
label = "instant"
[[column]]
name = "index"
channel = "meter-1.energy_index"
unit = "kWh"
"""
GAUGE = MAP.replace("meter-1.energy_index", "meter-1.ac_power").replace("kWh", "kW")


def read(rows: str, map: str = MAP) -> TableRead:
    """Rows as "00:30 700.0 | 01:00 700.1" on 25 October 2026."""
    lines = ["time,index\n", *(f"2026-10-25 {row.strip().replace(' ', ',')}\n" for row in rows.split("|"))]
    return read_table(lines, load_columns(map, "map.toml"))


def times(table: TableRead) -> str:
    return " ".join(iso(reading.time_ms)[11:16] for reading in table.readings)


@pytest.mark.parametrize(
    ("rows", "expected", "inferred", "ambiguous"),
    [
        pytest.param(
            "00:30 700.0 | 01:00 700.1 | 01:30 700.2 | 01:00 700.3 | 01:30 700.4 | 02:00 700.5",
            "23:30 00:00 00:30 01:00 01:30 02:00", 0, 0, id="L1 both passes, told by their order",
        ),
        pytest.param(
            "00:30 700.0 | 01:00 700.1 | 01:30 700.2 | 02:00 700.5",
            "23:30 00:00 00:30 02:00", 2, 0, id="L2 one pass, told by a steady index",
        ),
        pytest.param(
            "00:30 700.0 | 01:30 700.4 | 02:00 700.5",
            "23:30 01:30 02:00", 1, 0, id="L3 one row, told by a steady index",
        ),
        pytest.param(
            "00:30 700.0 | 01:30 700.0 | 02:00 700.0", "23:30 00:30 02:00", 0, 1, id="L4 a flat index tells nothing"
        ),
        pytest.param(
            "02:00 700.5 | 01:30 700.4 | 01:00 700.3 | 01:30 700.2 | 01:00 700.1 | 00:30 700.0",
            "02:00 01:30 01:00 00:30 00:00 23:30", 0, 0, id="newest first",
        ),
        pytest.param(
            "00:30 700.0 | 01:00 700.1 | 01:00 700.3 | 01:30 700.2 | 01:30 700.4 | 02:00 700.5",
            "23:30 00:00 01:00 00:30 01:30 02:00", 0, 0, id="sorted by local time",
        ),
        pytest.param("01:00 700.1 | 01:30 700.2 | 02:00 700.5", "00:00 00:30 02:00", 0, 2, id="the table begins there"),
        pytest.param("00:30 700.0 | 01:00 700.1 | 01:30 700.2", "23:30 00:00 00:30", 0, 2, id="the table ends there"),
        pytest.param("00:30 1 | 01:00 1.4 | 02:00 2", "23:30 00:00 02:00", 0, 1, id="both passes fit about as well"),
    ],
)  # fmt: skip
def test_case_d1_the_pass_is_told_by_order_then_by_the_index_else_guessed_and_counted(
    rows: str, expected: str, inferred: int, ambiguous: int
) -> None:
    table = read(rows)
    assert times(table) == expected
    assert (table.inferred, table.ambiguous) == (inferred, ambiguous)
    assert (table.kept, table.refused) == (table.rows, [])


def test_case_d1_the_energy_of_the_rows_is_what_the_index_says() -> None:
    for rows, kwh in [("00:30 700.0 | 01:30 700.4 | 02:00 700.5", 0.5), ("00:30 700 | 01:30 700 | 02:00 700", 0.0)]:
        values = [reading.value for reading in read(rows).readings]
        assert values[-1] - values[0] == kwh * 1000


def test_case_d1_power_alone_says_nothing_about_the_pass() -> None:
    table = read("00:30 1 | 01:30 5 | 02:00 2", GAUGE)
    assert (times(table), table.ambiguous) == ("23:30 00:30 02:00", 1)


def test_case_d1_devices_below_each_other_keep_their_own_order() -> None:
    second = MAP[MAP.index("[[column]]") :].replace("meter-1", "meter-2")
    map = MAP + 'where = { id = "a" }\n' + second + 'where = { id = "b" }\n'
    hours = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    lines = ["time,id,index\n", *(f"2026-10-25 {hour},{id},{at}\n" for at, hour in enumerate(hours) for id in "ab")]
    table = read_table(lines, load_columns(map, "map.toml"))
    for meter in ("meter-1", "meter-2"):
        own = [iso(reading.time_ms)[11:16] for reading in table.readings if reading.channel.startswith(meter)]
        assert own == ["23:30", "00:00", "00:30", "01:00", "01:30", "02:00"]
    assert (table.kept, table.ambiguous, table.refused) == (12, 0, [])


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 59), st.integers(0, 9)), max_size=12))
def test_case_d1_no_row_is_lost_whatever_the_order(rows: list[tuple[int, int, int]]) -> None:
    table = (
        read(" | ".join(f"{hour:02d}:{minute:02d} {value}" for hour, minute, value in rows)) if rows else TableRead()
    )
    assert len(table.readings) + table.repeated + table.refused_count == len(rows)
