"""Closed days: packed at night, read as before; old files brought up to date; retention by rule."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from watcher.domain.errors import StoreError
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Appended, Late, Reading, Samples
from watcher.store.readings import SqliteReadings
from watcher.store.trouble import StoreDamaged

MIDNIGHT = parse_iso("2026-06-20T00:00:00Z")
POWER, INDEX = "inverter-1.ac_power", "meter-1.energy_index"
EVERYTHING = (-(2**62), 2**62, 2**62)

VERSION_1 = """
    CREATE TABLE meta (schema_version INTEGER NOT NULL) STRICT;
    CREATE TABLE site (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, received_through_ms INTEGER) STRICT;
    CREATE TABLE series (id INTEGER PRIMARY KEY, site INTEGER NOT NULL REFERENCES site (id), channel TEXT NOT NULL,
        newest_ms INTEGER, UNIQUE (site, channel)) STRICT;
    CREATE TABLE on_time (time_ms INTEGER NOT NULL, series INTEGER NOT NULL, value REAL NOT NULL,
        PRIMARY KEY (time_ms, series)) STRICT, WITHOUT ROWID;
    CREATE TABLE late (series INTEGER NOT NULL, time_ms INTEGER NOT NULL, received_ms INTEGER NOT NULL,
        value REAL NOT NULL, PRIMARY KEY (series, time_ms)) STRICT, WITHOUT ROWID;
    CREATE INDEX late_by_receipt ON late (series, received_ms);
    INSERT INTO meta VALUES (1);
    INSERT INTO site VALUES (1, 'home-1', 1781913600000);
    INSERT INTO series VALUES (1, 1, 'inverter-1.ac_power', 1781913600000);
    INSERT INTO on_time VALUES (1781913600000, 1, 2310.0);
    INSERT INTO late VALUES (1, 1781910000000, 1781913600000, 7.5);
"""


def rows(samples: Samples) -> list[tuple[int, float, int]]:
    return list(zip(samples.time_ms, samples.value, samples.known_ms, strict=True))


def everything(store: SqliteReadings) -> dict[str, list[tuple[int, float, int]]]:
    return {channel: rows(samples) for channel, samples in store.window("home-1", None, *EVERYTHING).items()}


def tables(path: Path) -> dict[str, int]:
    """How many rows stand where."""
    connection = sqlite3.connect(path)
    try:
        return {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("on_time", "late", "chunk")
        }
    finally:
        connection.close()


def night(store: SqliteReadings, now_ms: int, keep_days: int | None = None) -> None:
    store.keep_days = keep_days
    while store.upkeep(now_ms):
        pass


def fill(store: SqliteReadings, days: int, every_ms: int = HOUR_MS) -> int:
    """Days of two channels that came on time, and one late row a day; how many rows."""
    hours = range(MIDNIGHT, MIDNIGHT + days * DAY_MS, every_ms)
    history = [row for at in hours for row in (Reading(POWER, at, at % 4999 / 10), Reading(INDEX, at, at / 1000))]
    count = store.append_history("home-1", history, MIDNIGHT + days * DAY_MS).new
    for day in range(days):
        late = Reading("weather-analysis.ghi", MIDNIGHT + day * DAY_MS, 300.0)
        count += store.append({"home-1": [late]}, MIDNIGHT + (days + day) * DAY_MS).new
    return count


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteReadings]:
    with SqliteReadings(path) as opened:
        yield opened


def test_days_over_for_two_days_are_packed_and_read_as_before(store: SqliteReadings, path: Path) -> None:
    count = fill(store, 5)
    before, newest = everything(store), store.last("home-1")
    night(store, MIDNIGHT + 5 * DAY_MS + 3 * HOUR_MS)
    assert tables(path) == {"on_time": 2 * 2 * 24, "late": 5, "chunk": 3 * 2}
    assert (everything(store), store.last("home-1")) == (before, newest)
    assert (store.count("home-1"), store.first("home-1")) == (count, MIDNIGHT)
    assert len(store.late("home-1", 0, 2**62)) == 5
    night(store, MIDNIGHT + 5 * DAY_MS + 4 * HOUR_MS)
    assert everything(store) == before


def test_a_window_cut_anywhere_is_the_same_before_and_after(store: SqliteReadings) -> None:
    fill(store, 4)
    cuts = [MIDNIGHT + hours * HOUR_MS + extra for hours in range(0, 96, 7) for extra in (0, 1)]
    bounds = [(start, end) for start in cuts for end in cuts if start < end]
    before = [store.window("home-1", [POWER], start, end, 2**62) for start, end in bounds]
    night(store, MIDNIGHT + 5 * DAY_MS)
    assert [store.window("home-1", [POWER], start, end, 2**62) for start, end in bounds] == before


def test_a_row_inside_a_packed_day_is_the_same_row(store: SqliteReadings) -> None:
    fill(store, 4)
    night(store, MIDNIGHT + 9 * DAY_MS)
    before = everything(store)
    again = [Reading(POWER, MIDNIGHT, MIDNIGHT % 4999 / 10), Reading(INDEX, MIDNIGHT, -1.0)]
    assert store.append({"home-1": again}, MIDNIGHT + 9 * DAY_MS) == Appended(new=0, same=1, conflicting=1)
    assert store.append_history("home-1", again, MIDNIGHT + 9 * DAY_MS) == Appended(new=0, same=1, conflicting=1)
    assert everything(store) == before


def test_a_late_row_of_a_packed_day_keeps_when_it_was_received(store: SqliteReadings) -> None:
    fill(store, 4)
    night(store, MIDNIGHT + 9 * DAY_MS)
    at, received = MIDNIGHT + 90 * MINUTE_MS, MIDNIGHT + 9 * DAY_MS
    assert store.append({"home-1": [Reading(POWER, at, 5.5)]}, received) == Appended(1, 0, 0)
    night(store, received + DAY_MS)
    assert store.late("home-1", received, received + 1) == [Late(POWER, received, at, at)]
    window = store.window("home-1", [POWER], MIDNIGHT + HOUR_MS, MIDNIGHT + 3 * HOUR_MS, received + 1)
    assert [known for _, _, known in rows(window[POWER])] == [MIDNIGHT + HOUR_MS, received, MIDNIGHT + 2 * HOUR_MS]


def test_history_of_a_packed_day_joins_its_chunk_the_next_night(store: SqliteReadings, path: Path) -> None:
    fill(store, 4)
    night(store, MIDNIGHT + 9 * DAY_MS)
    before = everything(store)[POWER]
    half_hours = [Reading(POWER, MIDNIGHT + n * HOUR_MS + HOUR_MS // 2, float(n)) for n in range(24)]
    assert store.append_history("home-1", half_hours, MIDNIGHT + 9 * DAY_MS).new == 24
    joined = sorted([*before, *((at, value, at) for _, at, value in half_hours)])
    assert everything(store)[POWER] == joined
    night(store, MIDNIGHT + 9 * DAY_MS)
    assert everything(store)[POWER] == joined
    assert tables(path)["on_time"] == 0


def test_one_turn_of_upkeep_is_short_and_says_that_there_is_more(store: SqliteReadings, path: Path) -> None:
    store.append_history("home-1", [Reading(POWER, MIDNIGHT + n * DAY_MS, 1.0) for n in range(20)], 2**50)
    turns = 1
    while store.upkeep(MIDNIGHT + 40 * DAY_MS):
        turns += 1
        assert tables(path)["on_time"] > 0
    assert turns == 3
    assert tables(path)["chunk"] == 20


def test_a_reader_beside_the_upkeep_sees_every_row_once_at_any_moment(store: SqliteReadings, path: Path) -> None:
    fill(store, 6)
    before = everything(store)
    with SqliteReadings.open_reader(path) as reader:
        other = reader._connection
        other.execute("BEGIN")
        seen = other.execute("SELECT count(*) FROM on_time").fetchone()
        store.upkeep(MIDNIGHT + 6 * DAY_MS)
        # Its transaction began before the night: it still has the hot rows, and no chunk.
        assert other.execute("SELECT count(*) FROM on_time").fetchone() == seen
        assert other.execute("SELECT count(*) FROM chunk").fetchone() == (0,)
        other.execute("COMMIT")
        assert everything(reader) == before


@pytest.mark.parametrize("packed", [False, True])
def test_retention_drops_whole_days_of_readings_and_keeps_the_rest(
    store: SqliteReadings, path: Path, packed: bool
) -> None:
    fill(store, 10)
    if packed:
        night(store, MIDNIGHT + 10 * DAY_MS)
    before = everything(store)
    night(store, MIDNIGHT + 10 * DAY_MS, keep_days=4)
    # The newest row is of the tenth day; four days before it stay whole.
    kept_from = MIDNIGHT + 5 * DAY_MS
    assert everything(store) == {
        channel: [row for row in found if row[0] >= kept_from] for channel, found in before.items()
    }
    assert store.first("home-1") == kept_from
    assert (tables(path)["late"], store.received_through("home-1")) == (5, MIDNIGHT + 19 * DAY_MS)


def test_a_clock_years_ahead_drops_nothing_that_is_new(store: SqliteReadings) -> None:
    fill(store, 4)
    before = everything(store)
    night(store, MIDNIGHT + 4_000 * DAY_MS, keep_days=30)
    assert everything(store) == before


def test_a_channel_whose_rows_were_all_dropped_has_no_newest_reading(store: SqliteReadings) -> None:
    store.append({"home-1": [Reading(INDEX, MIDNIGHT, 7.0)]}, MIDNIGHT)
    store.append({"home-1": [Reading(POWER, MIDNIGHT + 30 * DAY_MS, 1.0)]}, MIDNIGHT + 30 * DAY_MS)
    night(store, MIDNIGHT + 30 * DAY_MS, keep_days=7)
    assert list(store.last("home-1")) == [POWER]
    assert store.first("home-1") == MIDNIGHT + 30 * DAY_MS


def test_a_file_of_version_1_is_brought_up_to_date_by_its_writer(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.executescript(VERSION_1)
    connection.close()
    with pytest.raises(StoreError, match="tables of version 1: the daemon brings them up to date"):
        SqliteReadings.open_reader(path)
    there = {POWER: [(MIDNIGHT - HOUR_MS, 7.5, MIDNIGHT), (MIDNIGHT, 2310.0, MIDNIGHT)]}
    with SqliteReadings(path) as store:
        assert everything(store) == there
        night(store, MIDNIGHT + 9 * DAY_MS)
        assert everything(store) == there
    with SqliteReadings.open_reader(path) as reader:
        assert everything(reader) == there
    assert tables(path) == {"on_time": 0, "late": 1, "chunk": 1}


def test_a_damaged_chunk_is_said_and_never_read_as_something_else(store: SqliteReadings, path: Path) -> None:
    fill(store, 4)
    night(store, MIDNIGHT + 9 * DAY_MS)
    other = sqlite3.connect(path)
    other.execute("UPDATE chunk SET packed = zeroblob(length(packed)) WHERE id = 1")
    other.commit()
    other.close()
    with pytest.raises(StoreDamaged, match=r"day 20624 of series \d: a chunk of format 0"):
        everything(store)
