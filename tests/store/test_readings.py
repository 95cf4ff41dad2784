"""What every readings store must do, and what this one says when its file is no good."""

from __future__ import annotations

import math
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from watcher.domain.errors import StoreError
from watcher.domain.instant import DAY_MS, GRACE_MS, GRID_MS, HOUR_MS, MINUTE_MS, ON_TIME_MS, due_through, parse_iso
from watcher.domain.reading import Appended, Late, Reading, Samples
from watcher.store.readings import SqliteReadings

T0 = parse_iso("2026-06-21T10:00:00Z")
POWER = "inverter-1.ac_power"
INDEX = "meter-1.energy_index"
EVERYTHING = (-(2**62), 2**62, 2**62)


@pytest.fixture(params=["file", "memory"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[SqliteReadings]:
    with SqliteReadings(tmp_path / "readings.db" if request.param == "file" else ":memory:") as opened:
        yield opened


def rows(samples: Samples) -> list[tuple[int, float, int]]:
    return list(zip(samples.time_ms, samples.value, samples.known_ms, strict=True))


def everything(store: SqliteReadings, site: str = "home-1") -> dict[str, list[tuple[int, float, int]]]:
    return {channel: rows(samples) for channel, samples in store.window(site, None, *EVERYTHING).items()}


def test_a_row_on_time_comes_back_with_its_own_time_as_known(store: SqliteReadings) -> None:
    assert store.append({"home-1": [Reading(POWER, T0, 2310.0)]}, T0 + 4_000) == Appended(1, 0, 0)
    assert everything(store) == {POWER: [(T0, 2310.0, T0)]}


@pytest.mark.parametrize(
    "value",
    [
        pytest.param(0.0, id="zero"),
        pytest.param(-4900.0, id="negative"),
        pytest.param(501.2, id="a tenth"),
        pytest.param(1 / 3, id="a full-precision double"),
        pytest.param(0.1 + 0.2, id="not quite a tenth"),
        pytest.param(4_294_967_295.0, id="32 bits"),
        pytest.param(9_007_199_254_740_993.0, id="about 2 to the 53"),
        pytest.param(1e300, id="huge"),
        pytest.param(5e-324, id="the smallest double"),
    ],
)
@pytest.mark.parametrize("age_ms", [0, HOUR_MS], ids=["on time", "late"])
def test_a_value_comes_back_exactly(store: SqliteReadings, value: float, age_ms: int) -> None:
    store.append({"home-1": [Reading(POWER, T0, value)]}, T0 + age_ms)
    (back,) = store.window("home-1", [POWER], *EVERYTHING)[POWER].value
    assert back == value
    assert isinstance(back, float)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_not_finite_stores_nothing_of_its_batch(store: SqliteReadings, value: float) -> None:
    with pytest.raises(ValueError, match="no measurement"):
        store.append({"home-1": [Reading(INDEX, T0, 1.0), Reading(POWER, T0, value)]}, T0)
    assert store.sites() == []
    assert store.received_through("home-1") is None


@pytest.mark.parametrize(
    ("received_after_ms", "on_time"),
    [
        pytest.param(0, True, id="at once"),
        pytest.param(ON_TIME_MS, True, id="just in time"),
        pytest.param(ON_TIME_MS + 1, False, id="just late"),
        pytest.param(-ON_TIME_MS, True, id="a clock a little fast"),
        pytest.param(-ON_TIME_MS - 1, False, id="just early"),
        pytest.param(-2 * DAY_MS, False, id="a forecast"),
        pytest.param(15 * 365 * DAY_MS, False, id="fifteen years old"),
    ],
)
def test_only_a_row_out_of_its_time_carries_when_it_was_received(
    store: SqliteReadings, received_after_ms: int, on_time: bool
) -> None:
    received = T0 + received_after_ms
    store.append({"home-1": [Reading(POWER, T0, 1.5)]}, received)
    assert everything(store) == {POWER: [(T0, 1.5, T0 if on_time else received)]}
    found = store.late("home-1", received, received + 1)
    assert found == ([] if on_time else [Late(POWER, received, T0, T0)])


def test_late_rows_are_told_by_channel_and_receipt_within_half_open_bounds(store: SqliteReadings) -> None:
    first, second = T0 + HOUR_MS, T0 + 2 * HOUR_MS
    past = [Reading(POWER, T0 + i * MINUTE_MS, i) for i in range(5)]
    store.append({"home-1": [*past, Reading(INDEX, T0, 7.0), Reading(INDEX, first, 8.0)]}, first)
    store.append({"home-1": [Reading(POWER, T0 + 9 * MINUTE_MS, 9.0)], "home-2": [Reading(POWER, T0, 1.0)]}, second)
    one, two = Late(POWER, first, T0, T0 + 4 * MINUTE_MS), Late(INDEX, first, T0, T0)
    three = Late(POWER, second, T0 + 9 * MINUTE_MS, T0 + 9 * MINUTE_MS)
    assert store.late("home-1", first, second + 1) == [one, two, three]
    assert store.late("home-1", first, second) == [one, two]
    assert store.late("home-1", first + 1, second + 1) == [three]
    assert store.late("home-3", 0, 2**62) == []


def test_a_late_row_is_seen_from_its_receipt_on(store: SqliteReadings) -> None:
    store.append({"home-1": [Reading(POWER, T0, 5.0)]}, T0 + HOUR_MS)
    assert store.window("home-1", None, T0, T0 + 1, T0 + HOUR_MS) == {}
    assert list(store.window("home-1", None, T0, T0 + 1, T0 + HOUR_MS + 1)) == [POWER]


def test_late_rows_stand_among_the_others_in_order_of_time(store: SqliteReadings) -> None:
    for minute in (0, 2, 4):
        at = T0 + minute * MINUTE_MS
        store.append({"home-1": [Reading(POWER, at, minute)]}, at)
    late = T0 + HOUR_MS
    store.append({"home-1": [Reading(POWER, T0 + minute * MINUTE_MS, minute) for minute in (5, 1, 3)]}, late)
    known = {0: T0, 1: late, 2: T0 + 2 * MINUTE_MS, 3: late, 4: T0 + 4 * MINUTE_MS, 5: late}
    assert everything(store) == {POWER: [(T0 + m * MINUTE_MS, float(m), known[m]) for m in range(6)]}


def test_the_first_value_stays_and_repeats_and_conflicts_are_counted(store: SqliteReadings) -> None:
    store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
    again = [Reading(POWER, T0, 1.0), Reading(POWER, T0, 2.0), Reading(INDEX, T0, 3.0), Reading(INDEX, T0, 4.0)]
    assert store.append({"home-1": again}, T0 + 1_000) == Appended(new=1, same=1, conflicting=2)
    assert everything(store) == {POWER: [(T0, 1.0, T0)], INDEX: [(T0, 3.0, T0)]}


@pytest.mark.parametrize(
    ("first_ms", "second_ms"),
    [pytest.param(-HOUR_MS, 0, id="early, then on time"), pytest.param(0, HOUR_MS, id="on time, then late")],
)
def test_a_row_is_the_same_row_whether_it_came_on_time_or_not(
    store: SqliteReadings, first_ms: int, second_ms: int
) -> None:
    store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0 + first_ms)
    before = everything(store)
    assert store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0 + second_ms) == Appended(0, 1, 0)
    assert store.append({"home-1": [Reading(POWER, T0, 2.0)]}, T0 + second_ms) == Appended(0, 0, 1)
    assert everything(store) == before
    assert store.count("home-1") == 1


def test_an_empty_batch_moves_the_watermark_alone(store: SqliteReadings) -> None:
    assert store.append({"home-1": []}, T0) == Appended(0, 0, 0)
    assert store.received_through("home-1") == T0
    assert store.received_through("home-2") is None
    assert everything(store) == {}


def test_a_clock_that_steps_back_never_takes_the_watermark_with_it(store: SqliteReadings) -> None:
    store.append({"home-1": []}, T0)
    store.append({"home-1": [Reading(POWER, T0 - 40_000, 1.0), Reading(POWER, T0 - HOUR_MS, 2.0)]}, T0 - 40_000)
    assert store.received_through("home-1") == T0
    assert everything(store) == {POWER: [(T0 - HOUR_MS, 2.0, T0), (T0 - 40_000, 1.0, T0 - 40_000)]}


def test_sites_keep_their_own_rows_and_watermarks(store: SqliteReadings) -> None:
    store.append({"home-2": [Reading(POWER, T0, 2.0)], "home-1": [Reading(POWER, T0, 1.0)]}, T0)
    store.append({"home-1": []}, T0 + MINUTE_MS)
    assert store.sites() == ["home-1", "home-2"]
    assert everything(store, "home-1") == {POWER: [(T0, 1.0, T0)]}
    assert everything(store, "home-2") == {POWER: [(T0, 2.0, T0)]}
    assert (store.received_through("home-1"), store.received_through("home-2")) == (T0 + MINUTE_MS, T0)
    assert (store.count("home-1"), store.count("home-2"), store.count("home-3")) == (1, 1, 0)


def test_a_window_has_its_start_and_not_its_end_and_only_the_channels_asked_for(store: SqliteReadings) -> None:
    for minute in range(10):
        at = T0 + minute * MINUTE_MS
        store.append({"home-1": [Reading(POWER, at, minute), Reading(INDEX, at, 100 + minute)]}, at)
    window = store.window("home-1", [INDEX, "meter-9.energy_index"], T0 + MINUTE_MS, T0 + 3 * MINUTE_MS, 2**62)
    assert {channel: list(samples.value) for channel, samples in window.items()} == {INDEX: [101.0, 102.0]}
    assert store.window("home-1", [], T0, T0 + HOUR_MS, 2**62) == {}
    assert store.window("home-9", None, T0, T0 + HOUR_MS, 2**62) == {}


def test_a_gap_stays_a_gap(store: SqliteReadings) -> None:
    for at in (T0, T0 + 3 * HOUR_MS):
        store.append({"home-1": [Reading(POWER, at, 1.0)]}, at)
    assert [time for time, _, _ in everything(store)[POWER]] == [T0, T0 + 3 * HOUR_MS]
    assert store.window("home-1", None, T0 + 1, T0 + 3 * HOUR_MS, 2**62) == {}


def test_the_newest_reading_of_each_channel_is_no_forecast(store: SqliteReadings) -> None:
    forecast = "weather-forecast.ghi"
    store.append({"home-1": [Reading(POWER, T0, 1.0), Reading(forecast, T0 + DAY_MS, 300.0)]}, T0)
    store.append({"home-1": [Reading(INDEX, T0 - HOUR_MS, 9.0), Reading(POWER, T0 - HOUR_MS, 5.0)]}, T0)
    assert store.last("home-1") == {
        INDEX: Reading(INDEX, T0 - HOUR_MS, 9.0),
        POWER: Reading(POWER, T0, 1.0),
    }
    assert store.last("home-2") == {}


def test_the_oldest_row_of_a_site_is_found_wherever_it_stands(store: SqliteReadings) -> None:
    assert store.first("home-1") is None
    store.append({"home-2": [Reading(POWER, T0 - DAY_MS, 1.0)], "home-1": []}, T0)
    assert store.first("home-1") is None
    store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
    assert store.first("home-1") == T0
    store.append({"home-1": [Reading(INDEX, T0 - HOUR_MS, 1.0)]}, T0)
    assert store.first("home-1") == T0 - HOUR_MS


def test_upkeep_empties_the_log_and_keeps_every_row(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with SqliteReadings(path) as store:
        store.append({"home-1": [Reading(POWER, T0, 1.0), Reading(POWER, T0 - HOUR_MS, 2.0)]}, T0)
        before = everything(store)
        store.upkeep(T0)
        assert Path(f"{path}-wal").stat().st_size == 0
        assert everything(store) == before


def test_history_counts_as_received_on_time_and_makes_its_last_interval_due(store: SqliteReadings) -> None:
    newest = T0 + 7 * MINUTE_MS
    history = [Reading(POWER, T0 - 5 * 365 * DAY_MS, 1.0), Reading(POWER, T0, 2.0), Reading(INDEX, newest, 3.0)]
    assert store.append_history("home-1", history, T0 + DAY_MS) == Appended(3, 0, 0)
    assert all(time == known for samples in everything(store).values() for time, _, known in samples)
    assert store.late("home-1", -(2**62), 2**62) == []
    # The newest row lies in the interval that ends at T0 + 10 min, and nothing after that can be due.
    assert due_through(store.received_through("home-1") or 0) == T0 + 2 * GRID_MS


def test_history_up_to_the_present_leaves_the_watermark_at_the_present(store: SqliteReadings) -> None:
    store.append_history("home-1", [Reading(POWER, T0, 1.0)], T0 + MINUTE_MS)
    assert store.received_through("home-1") == T0 + MINUTE_MS
    store.append({"home-1": [Reading(POWER, T0 + MINUTE_MS, 2.0)]}, T0 + MINUTE_MS)
    assert store.late("home-1", 0, 2**62) == []


def test_history_never_takes_the_watermark_back_and_knows_no_future(store: SqliteReadings) -> None:
    store.append({"home-1": []}, T0)
    store.append_history("home-1", [Reading(POWER, T0 - DAY_MS, 1.0)], T0)
    assert store.received_through("home-1") == T0
    store.append_history("home-1", [Reading(POWER, T0 + 40 * 365 * DAY_MS, 1.0)], T0 + 1)
    assert store.received_through("home-1") == T0 + 1
    assert [late.received_ms for late in store.late("home-1", 0, 2**62)] == [T0 + 1]


def test_history_is_idempotent_and_no_history_changes_nothing(store: SqliteReadings) -> None:
    history = [Reading(POWER, T0 + i * MINUTE_MS, i) for i in range(100)]
    store.append_history("home-1", history, T0 + DAY_MS)
    before, watermark = everything(store), store.received_through("home-1")
    assert store.append_history("home-1", iter(history), T0 + DAY_MS) == Appended(0, 100, 0)
    assert store.append_history("home-1", [history[3]._replace(value=-1.0)], T0 + DAY_MS) == Appended(0, 0, 1)
    assert store.append_history("home-1", [], T0 + 9 * DAY_MS) == Appended(0, 0, 0)
    assert (everything(store), store.received_through("home-1")) == (before, watermark)


def test_a_long_history_that_breaks_off_is_finished_by_doing_it_again(store: SqliteReadings) -> None:
    count = 120_000  # more than two chunks
    good = [Reading(f"inverter-1.input-{i % 4}.dc_power", T0 + i // 4 * MINUTE_MS, i) for i in range(count)]
    with pytest.raises(ValueError, match="no measurement"):
        store.append_history("home-1", [*good[:-1], good[-1]._replace(value=math.nan)], T0 + 10_000 * DAY_MS)
    assert 0 < store.count("home-1") < count
    assert store.received_through("home-1") is None
    stored = store.count("home-1")
    assert store.append_history("home-1", good, T0 + 10_000 * DAY_MS) == Appended(count - stored, stored, 0)
    newest = good[-1].time_ms
    assert (store.received_through("home-1") or 0) - GRACE_MS - GRID_MS <= newest < store.received_through("home-1")


def test_everything_is_there_after_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with SqliteReadings(path) as store:
        store.append({"home-1": [Reading(POWER, T0, 1.0), Reading(POWER, T0 - HOUR_MS, 2.0)]}, T0)
        before = everything(store), store.received_through("home-1"), store.last("home-1")
    with SqliteReadings(path) as store:
        assert (everything(store), store.received_through("home-1"), store.last("home-1")) == before
        assert store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0) == Appended(0, 1, 0)


def test_a_reader_sees_whole_batches_beside_the_writer_and_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with SqliteReadings(path) as writer, SqliteReadings.open_reader(path) as reader:
        assert reader.sites() == []
        writer.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
        assert everything(reader) == {POWER: [(T0, 1.0, T0)]}
        with pytest.raises(StoreError, match="storing readings failed"):
            reader.append({"home-1": []}, T0 + 1)
        assert writer.received_through("home-1") == T0
    with SqliteReadings.open_reader(path) as reader:
        assert reader.last("home-1") == {POWER: Reading(POWER, T0, 1.0)}


def test_a_long_read_does_not_hold_up_the_writer(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with SqliteReadings(path) as writer:
        writer.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN")
        assert other.execute("SELECT count(*) FROM on_time").fetchone() == (1,)
        writer.append({"home-1": [Reading(POWER, T0 + MINUTE_MS, 2.0)]}, T0 + MINUTE_MS)
        assert other.execute("SELECT count(*) FROM on_time").fetchone() == (1,)
        other.close()
        assert writer.count("home-1") == 2


def test_case_e3_a_writer_waits_for_a_foreign_lock_and_then_stores(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with SqliteReadings(path) as writer:
        other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        other.execute("BEGIN IMMEDIATE")
        release = threading.Timer(0.3, lambda: other.execute("COMMIT"))
        release.start()
        writer.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
        release.join()
        other.close()
        assert everything(writer) == {POWER: [(T0, 1.0, T0)]}


def test_one_store_may_be_used_from_several_threads(store: SqliteReadings) -> None:
    def write(site: str) -> None:
        for i in range(50):
            at = T0 + i * MINUTE_MS
            store.append({site: [Reading(POWER, at, i)]}, at)
            store.window(site, None, *EVERYTHING)

    threads = [threading.Thread(target=write, args=(f"home-{i}",)) for i in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [store.count(f"home-{i}") for i in range(4)] == [50] * 4


def test_a_full_disk_stores_nothing_and_is_got_over(tmp_path: Path) -> None:
    with SqliteReadings(tmp_path / "readings.db") as store:
        store.append({"home-1": [Reading(POWER, T0, 1.0)]}, T0)
        store._connection.execute("PRAGMA max_page_count = 20")
        many = [Reading(POWER, T0 + i, i) for i in range(1, 20_000)]
        with pytest.raises(StoreError, match="storing readings failed: database or disk is full"):
            store.append({"home-1": many}, T0 + MINUTE_MS)
        assert everything(store) == {POWER: [(T0, 1.0, T0)]}
        assert store.received_through("home-1") == T0
        store._connection.execute("PRAGMA max_page_count = 1000000")
        assert store.append({"home-1": many}, T0 + MINUTE_MS).new == len(many)


def test_a_newer_file_is_left_alone_with_words(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    SqliteReadings(path).close()
    connection = sqlite3.connect(path)
    connection.execute("UPDATE meta SET schema_version = 3")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    for open_store in (SqliteReadings, SqliteReadings.open_reader):
        with pytest.raises(StoreError, match="tables of version 3, this program knows version 2"):
            open_store(path)
    assert path.read_bytes() == before


def test_what_is_no_readings_store_is_refused_in_words(tmp_path: Path) -> None:
    garbage, foreign, nowhere = tmp_path / "garbage.db", tmp_path / "foreign.db", tmp_path / "none" / "readings.db"
    garbage.write_bytes(b"this is no database at all" * 100)
    connection = sqlite3.connect(foreign)
    connection.execute("CREATE TABLE letters (text)")
    connection.close()
    for path, words in ((garbage, "not a database"), (foreign, "no readings store"), (nowhere, "unable to open")):
        for open_store in (SqliteReadings, SqliteReadings.open_reader):
            with pytest.raises(StoreError, match=words):
                open_store(path)
    with pytest.raises(StoreError, match="unable to open"):
        SqliteReadings.open_reader(tmp_path / "missing.db")
    assert not (tmp_path / "missing.db").exists()
