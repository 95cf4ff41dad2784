"""Tables of others: every value is stored exactly, or refused and counted."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.domain.errors import SetupError
from watcher.domain.instant import iso, to_ms
from watcher.domain.quantity import QUANTITIES
from watcher.table.columns import TableRead, load_columns, read_table
from watcher.table.units import units_of

MAP = """\
[time]
column = "time"
zone = "UTC"
label = "instant"
[[column]]
name = "power"
channel = "inverter-1.ac_power"
unit = "kW"
"""


def read(table: str, map: str = MAP) -> TableRead:
    return read_table(table.splitlines(keepends=True), load_columns(map, "map.toml"), "table.csv")


def values(table: TableRead) -> list[tuple[str, float]]:
    return [(iso(reading.time_ms), reading.value) for reading in table.readings]


def one(stamp: str, **time: str) -> str:
    """The instant one stamp is read as, or what is said against it."""
    given = {"column": '"time"', "zone": '"UTC"', "label": '"instant"', **time}
    lines = "\n".join(f"{key} = {value}" for key, value in given.items() if value)
    table = read(f"time,power\n{stamp},1\n", MAP.replace(MAP[MAP.index("column") : MAP.index("[[")], lines + "\n"))
    return iso(table.readings[0].time_ms) if table.readings else table.refused[0].allowed


@pytest.mark.parametrize(
    ("stamp", "time", "expected"),
    [
        ("2026-06-21 10:35", {}, "2026-06-21T10:35:00Z"),
        ("2026-06-21T10:35:00.250+01:00", {}, "2026-06-21T09:35:00.250Z"),
        ("2026-06-21 10:35", {"zone": '"+01:00"'}, "2026-06-21T09:35:00Z"),
        ("2026-06-21 10:35", {"zone": '"-07:00"'}, "2026-06-21T17:35:00Z"),
        ("2026-06-21 10:35", {"zone": '"Europe/London"'}, "2026-06-21T09:35:00Z"),
        ("2026-12-21 10:35", {"zone": '"Europe/London"'}, "2026-12-21T10:35:00Z"),
        ("21/06/2026 10:35", {"format": '"%d/%m/%Y %H:%M"'}, "2026-06-21T10:35:00Z"),
        ("2/29 7", {"format": '"%m/%d %H"', "year": "2024"}, "2024-02-29T07:00:00Z"),
        ("2026-06-21 10:35", {"label": '"end"', "period_s": "300"}, "2026-06-21T10:35:00Z"),
        ("2026-06-21 10:35", {"label": '"start"', "period_s": "300"}, "2026-06-21T10:40:00Z"),
        ("2026-06-21 10:35", {"label": '"middle"', "period_s": "300"}, "2026-06-21T10:37:30Z"),
        ("21.06.2026", {}, "must be an ISO 8601 time"),
        ("2026-06-31 10:35", {}, "must be an ISO 8601 time"),
        ("1926-06-21 10:35", {}, "the year must be 1980 to 2199"),
        ("2026-06-21 10:35", {"zone": ""}, "has no offset, and the map names no zone"),
        ("2026-03-29 01:30", {"zone": '"Europe/London"'}, "this hour was left out when the clocks went forward; "
         'a clock on winter time has a fixed zone, such as "+00:00"'),
    ],
)  # fmt: skip
def test_a_stamp_becomes_the_end_of_its_period_in_utc(stamp: str, time: dict[str, str], expected: str) -> None:
    assert one(stamp, **time) == expected


@pytest.mark.parametrize(
    ("quantity", "unit", "written", "inside"),
    [
        ("ac_power", "kW", "0.027", 27.0),
        ("ac_power", "kW", "2.8154", 2815.4),
        ("ac_power", "MW", "0.001", 1000.0),
        ("energy_index", "MWh", "12.3456789", 12_345_678.9),
        ("poa_irradiance", "kW/m2", "1.0019", 1001.9),
        ("temp_air", "K", "273.15", 0.0),
        ("temp_air", "degF", "32", 0.0),
        ("temp_module", "degF", "212", 100.0),
        ("pressure", "mbar", "1013.25", 1013.25),
        ("pressure", "Pa", "101325", 1013.25),
        ("relative_humidity", "1", "0.7013", 70.13),
        ("wind_speed", "km/h", "36", 10.0),
        ("dc_current", "mA", "8500", 8.5),
        ("insulation_resistance", "Mohm", "2.5", 2_500_000.0),
        ("operating_state", "", "4", 4.0),
    ],
)
def test_units_are_exact(quantity: str, unit: str, written: str, inside: float) -> None:
    map = MAP.replace("inverter-1.ac_power", f"a.{quantity}").replace('"kW"', f'"{unit}"')
    (value,) = read(f"time,power\n2026-06-21,{written}\n", map).readings
    assert value.value == inside


def test_every_quantity_has_a_unit_to_be_written_in() -> None:
    assert all(next(iter(units_of(quantity))) == quantity.unit for quantity in QUANTITIES.values())


@given(st.decimals(min_value=-9999, max_value=9999, places=3))
def test_kilowatts_are_read_to_the_last_digit(kilowatts: object) -> None:
    (reading,) = read(f"time,power\n2026-06-21,{kilowatts}\n").readings
    assert reading.value == float(f"{kilowatts}e3")


@pytest.mark.parametrize(
    ("cell", "missing", "said"),
    [
        ("", 1, None),
        ("NA", 1, None),
        ("nan", 1, None),
        ("inf", 0, 'must be a number with the decimal sign "."'),
        ("1_000", 0, 'must be a number with the decimal sign "."'),
        ('"1,5"', 0, 'must be a number with the decimal sign "."'),
        ("1e400", 0, "must be -10000000 to 10000000 W"),
        ("-1000000.0", 0, "must be -10000000 to 10000000 W"),
        ("\u0661", 0, 'must be a number with the decimal sign "."'),
    ],
)
def test_what_is_no_measurement_is_never_stored(cell: str, missing: int, said: str | None) -> None:
    table = read(f"time,power\n2026-06-21 10:00,{cell}\n2026-06-21 10:05,1\n")
    assert values(table) == [("2026-06-21T10:05:00Z", 1000.0)]
    assert (table.rows, table.kept, table.missing) == (2, 1, missing)
    assert [problem.allowed for problem in table.refused] == ([said] if said else [])
    assert all(problem.place == "table.csv:2" and problem.key == "power" for problem in table.refused)


def test_a_decimal_comma_is_read_and_a_point_beside_it_refused() -> None:
    map = 'delimiter = ";"\ndecimal = ","\n' + MAP
    table = read("time;power\n2026-06-21 10:00;1,5\n2026-06-21 10:05;1.234,5\n", map)
    assert values(table) == [("2026-06-21T10:00:00Z", 1500.0)]
    assert str(table.refused[0]) == 'table.csv:3: power = "1.234,5": must be a number with the decimal sign ","'


def test_a_turned_sign_gives_no_minus_zero() -> None:
    table = read("time,power\n2026-06-21 10:00,1\n2026-06-21 10:05,0\n", MAP + "sign = -1\n")
    assert [str(reading.value) for reading in table.readings] == ["-1000.0", "0.0"]


def test_rows_are_picked_by_what_another_column_says() -> None:
    second = MAP[MAP.index("[[column]]") :].replace("inverter-1", "inverter-2")
    map = MAP + 'where = { id = "a" }\n' + second + 'where = { id = "b" }\n'
    table = read("time,id,power\n2026-06-21,a,1\n2026-06-21,b,2\n2026-06-21,c,3\n", map)
    assert [(reading.channel, reading.value) for reading in table.readings] == [
        ("inverter-1.ac_power", 1000.0),
        ("inverter-2.ac_power", 2000.0),
    ]
    assert (table.rows, table.kept, table.refused_count) == (3, 2, 0)


def test_rows_that_stand_twice_are_counted_and_those_at_odds_refused() -> None:
    table = read("time,power\n2026-06-21,1\n2026-06-21,1\n2026-06-21,2\n")
    assert values(table) == [("2026-06-21T00:00:00Z", 1000.0)]
    assert (table.rows, table.kept, table.repeated, table.refused_count) == (3, 1, 1, 1)
    assert table.refused[0].allowed == "this time was there before with 1000.0, which is kept"


def test_an_impossible_value_spoils_its_row_only_where_the_map_says_so() -> None:
    pressure = '[[column]]\nname = "p"\nchannel = "a.pressure"\nunit = "hPa"\n'
    rows = "time,p,power\n2026-06-21 10:00,2020,1\n2026-06-21 10:05,1010,1\n"
    assert [len(read(rows, MAP + pressure + spoils).readings) for spoils in ("", "spoils_row = true\n")] == [3, 2]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-06-21", "the row has 1 of 2 columns"),
        ('2026-06-21,"1', "the row cannot be taken apart"),
        ('2026-06-21,"1"2', "the row cannot be taken apart"),
    ],
)
def test_a_broken_row_is_refused_and_those_before_it_kept(row: str, said: str) -> None:
    table = read(f"time,power\n2026-06-20,1\n{row}\n")
    assert len(table.readings) == 1
    assert table.refused_count == 1
    assert said in table.refused[0].allowed


def test_the_first_hundred_refusals_are_named_and_all_are_counted() -> None:
    rows = "".join(f"2026-06-{day:02d} {hour:02d}:00,x\n" for day in range(1, 11) for hour in range(24))
    table = read("time,power\n" + rows)
    assert (len(table.refused), table.refused_count, table.readings) == (100, 240, [])


@pytest.mark.parametrize(
    ("heading", "said"),
    [
        ("time,Power", 'table.csv:1: "power": no such column, did you mean Power?'),
        ("time,power,power", 'table.csv:1: "power": stands twice in the heading'),
        ("", 'table.csv:1: "time": no such column'),
    ],
)
def test_a_heading_without_the_maps_columns_is_refused_at_once(heading: str, said: str) -> None:
    with pytest.raises(SetupError) as error:
        read(f"{heading}\n2026-06-21,1,1\n" if heading else "")
    assert said in str(error.value)


def test_a_byte_order_mark_and_spaces_around_cells_are_no_fault() -> None:
    assert values(read("\ufefftime , power\n2026-06-21 , 1\n\n")) == [("2026-06-21T00:00:00Z", 1000.0)]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('zone = "UTC"', 'zone = "Mars"', 'time.zone = "Mars": must be "UTC", an offset'),
        ('zone = "UTC"\n', 'format = "%d.%m.%Y"\n', "time.zone: missing; a time without an offset"),
        ('zone = "UTC"', 'zone = "UTC"\nformat = "%d.%m. %H:%M"', "time.year: missing; the format reads no year"),
        ('zone = "UTC"', 'zone = "UTC"\nyear = 2024', "time.year = 2024: the format reads a year itself"),
        ('zone = "UTC"', 'zone = "UTC"\nformat = "%Q"', 'time.format = "%Q": must be "iso" or made of strptime'),
        ('zone = "UTC"', 'zone = "UTC"\nformat = "%d %d %Y"', "time.format = \"%d %d %Y\": must be"),
        ('column = "time"\n', "", "time: needs column or columns, one of the two"),
        ('label = "instant"', 'label = "begin"', 'must be one of "start", "middle", "end", "instant"'),
        ('label = "instant"', 'label = "end"', "time.period_s: needed for"),
        ('label = "instant"', 'label = "instant"\nperiod_s = 60', "time.period_s: needed for"),
        ('"kW"', '"kWh"', 'column[0].unit = "kWh": ac_power is written in "W", "kW", "MW"'),
        ("ac_power", "power", "column[0].channel = \"inverter-1.power\": must be <device>[.<part>].<quantity>"),
        ('unit = "kW"', 'unit = "kW"\nsign = 0', "column[0].sign = 0: must be 1 or -1"),
        ('unit = "kW"', 'unit = "kW"\nwhere = { id = 27 }', "column[0].where = a table: must be columns and the text"),
        ("[time]", 'decimal = ","\n[time]', "decimal = \",\": is the delimiter too"),
        ("[time]", 'delimiter = "::"\n[time]', "delimiter = \"::\": must be one character"),
        ("[time]", 'encoding = "utf-9"\n[time]', "encoding = \"utf-9\": must be the name of an encoding"),
    ],
)  # fmt: skip
def test_a_fault_of_the_map_is_one_problem(old: str, new: str, expected: str) -> None:
    assert old in MAP
    with pytest.raises(SetupError) as error:
        load_columns(MAP.replace(old, new, 1), "map.toml")
    assert str(error.value).startswith("1 problem\n"), str(error.value)
    assert expected in str(error.value)


def test_a_channel_is_fed_from_one_column_only() -> None:
    with pytest.raises(SetupError, match="already read from another column of the same rows"):
        load_columns(MAP + MAP[MAP.index("[[column]]") :].replace('"power"', '"other"'), "map.toml")


@given(st.text(alphabet='time,power\n "2026-01-5:T+é\x00;.', max_size=200))
def test_whatever_a_table_holds_it_is_read_or_refused_in_words(rows: str) -> None:
    table = read(f"time,power\n{rows}")
    assert table.rows >= table.kept == len(table.readings)
    assert bool(table.refused) == (table.refused_count > 0)


def test_a_reading_lies_where_its_day_and_hour_say() -> None:
    map = MAP.replace('column = "time"', 'columns = ["day", "hour"]\nformat = "%Y-%m-%d %H"')
    (reading,) = read("day,hour,power\n2026-06-21,7,1\n", map).readings
    assert reading.time_ms == to_ms(datetime(2026, 6, 21, 7, tzinfo=UTC))
