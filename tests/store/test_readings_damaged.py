"""A damaged readings file: set aside, never deleted, what is readable carried over, always told."""

from __future__ import annotations

import os
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from watcher.domain.errors import StoreError
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.store import damaged as damaged_file
from watcher.store.damaged import trouble_in
from watcher.store.opening import Stores, open_ledger, open_stores, suspect
from watcher.store.readings import SqliteReadings

MIDNIGHT = parse_iso("2026-06-20T00:00:00Z")
NOW = MIDNIGHT + 6 * DAY_MS
CHANNELS = ["inverter-1.ac_power", "meter-1.energy_index", "inverter-1.input-1.dc_voltage"]
STAMP = "20260626T000000Z"

Rows = set[tuple[str, int, float, int]]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.sqlite"


@pytest.fixture
def before(path: Path) -> Rows:
    """A store with packed days, two open days and late rows; what it holds."""
    with SqliteReadings(path) as store:
        history = [
            Reading(channel, at + number, (at // MINUTE_MS % 977 + number) / 10)
            for at in range(MIDNIGHT, NOW, 5 * MINUTE_MS)
            for number, channel in enumerate(CHANNELS)
        ]
        store.append_history("home-1", history, NOW)
        late = [Reading("weather-analysis.ghi", at, 300.0) for at in range(MIDNIGHT, NOW - DAY_MS, HOUR_MS)]
        store.append({"home-1": late}, NOW)
        while store.upkeep(NOW):
            pass
        with open_ledger(path.with_name("ledger.sqlite")) as ledger:
            ledger.put_version("home-1", "[site]", NOW)
        return everything(store)


def everything(store: SqliteReadings) -> Rows:
    window = store.window("home-1", None, -(2**62), 2**62, 2**62)
    return {
        (channel, *row)
        for channel, samples in window.items()
        for row in zip(samples.time_ms, samples.value, samples.known_ms, strict=True)
    }


def opened(path: Path, now_ms: int = NOW) -> Stores:
    return open_stores(path, path.with_name("ledger.sqlite"), now_ms)


def closed(stores: Stores) -> None:
    stores.readings.close()
    stores.ledger.close()


def test_a_sound_file_and_a_missing_one_have_no_trouble(path: Path) -> None:
    assert trouble_in(path) == ""
    stores = opened(path)
    assert stores.damages == ()
    closed(stores)
    assert trouble_in(path) == ""
    closed(opened(path))


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def random_bytes(path: Path) -> None:
    path.write_bytes(random.Random(1).randbytes(path.stat().st_size))


def half(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def first_page(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(100)
        file.write(bytes(300))


@pytest.mark.parametrize("damage", [emptied, random_bytes, half, first_page])
def test_case_e2_a_damaged_file_is_kept_under_a_dated_name_and_told(
    path: Path, before: Rows, damage: Callable[[Path], None]
) -> None:
    damage(path)
    was = path.read_bytes()
    stores = opened(path)
    try:
        (told,) = stores.damages
        assert told.aside == path.with_name(f"readings.sqlite.damaged-{STAMP}")
        assert told.aside.read_bytes() == was
        assert "carried over" in str(told)
        assert everything(stores.readings) <= before
        # And it goes on: the next batch is stored.
        assert stores.readings.append({"home-1": [Reading(CHANNELS[0], NOW, 1.0)]}, NOW).new == 1
    finally:
        closed(stores)
    again = opened(path)
    assert again.damages == ()
    closed(again)


def test_case_e2_what_stands_beside_damaged_pages_is_carried_over(path: Path, before: Rows) -> None:
    """Two pages of forty in each of twelve trials. One that leads to others can take them along, most do not."""
    whole, mostly_saved = path.read_bytes(), 0
    pages = len(whole) // 4096
    for trial in range(12):
        chance = random.Random(trial)
        content = bytearray(whole)
        for page in chance.sample(range(1, pages), 2):
            content[page * 4096 : (page + 1) * 4096] = chance.randbytes(4096)
        path.write_bytes(content)
        suspect(path, path.with_name("ledger.sqlite"), "readings store: as if it had been met while in use")
        stores = opened(path)
        after = everything(stores.readings)
        assert after <= before
        (told,) = stores.damages
        assert told.kept.startswith(f"{len(after)} readings of")
        assert set(stores.readings.last("home-1")) == {channel for channel, *_ in after}
        closed(stores)
        mostly_saved += len(after) > 0.8 * len(before)
    assert mostly_saved >= 6


def test_case_e2_a_file_cut_in_half_keeps_what_its_first_half_holds(path: Path, before: Rows) -> None:
    half(path)
    stores = opened(path)
    assert 0 < len(everything(stores.readings)) < len(before)
    closed(stores)


def test_a_chunk_whose_bytes_have_changed_is_left_out_and_the_rest_kept(path: Path, before: Rows) -> None:
    connection = sqlite3.connect(path)
    (series, day) = connection.execute("SELECT series, day FROM chunk WHERE id = 2").fetchone()
    (channel,) = connection.execute("SELECT channel FROM series WHERE id = ?", (series,)).fetchone()
    connection.execute("UPDATE chunk SET packed = zeroblob(length(packed)) WHERE id = 2")
    connection.commit()
    connection.close()
    assert trouble_in(path) == "", "the engine cannot know"
    suspect(path, path.with_name("ledger.sqlite"), "readings store: day 20624 of series 2: a chunk of format 0")
    stores = opened(path)
    gone = {row for row in before if row[0] == channel and row[1] // DAY_MS == day}
    assert everything(stores.readings) == before - gone
    assert "a chunk of format 0" in stores.damages[0].found
    closed(stores)
    again = opened(path)
    assert again.damages == ()
    closed(again)


def test_a_crash_between_the_two_renamings_is_finished_by_the_next_start(
    path: Path, before: Rows, monkeypatch: pytest.MonkeyPatch
) -> None:
    half(path)

    class PowerCutError(Exception):
        """The machine is off."""

    renamings: list[str] = []
    rename = os.replace

    def cut(source: Path | str, target: Path | str) -> None:
        if str(source).endswith(".fresh"):
            raise PowerCutError
        renamings.append(str(target))
        rename(source, target)

    monkeypatch.setattr(damaged_file.os, "replace", cut)
    with pytest.raises(PowerCutError):
        opened(path)
    monkeypatch.undo()
    assert not path.exists()
    assert renamings
    stores = opened(path)
    assert "finished after an interruption" in str(stores.damages[0])
    assert stores.damages[0].aside == Path(renamings[0])
    assert everything(stores.readings) <= before
    assert stores.readings.sites() == ["home-1"]
    closed(stores)


def test_a_file_that_another_program_has_locked_is_not_taken_for_damaged(path: Path, before: Rows) -> None:
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert trouble_in(path) == ""
    other.close()


def test_a_newer_file_is_not_damaged_and_stays_where_it_is(path: Path, before: Rows) -> None:
    connection = sqlite3.connect(path)
    connection.execute("UPDATE meta SET schema_version = 99")
    connection.commit()
    connection.close()
    with pytest.raises(StoreError, match="use the newer program"):
        opened(path)
    assert path.exists()
    assert list(path.parent.glob("*.damaged-*")) == []


def test_names_of_files_set_aside_in_the_same_second_differ(path: Path) -> None:
    for _ in range(3):
        path.write_bytes(b"no database, " * 400)
        closed(opened(path))
    names = sorted(one.name for one in path.parent.glob("readings.sqlite.damaged-*"))
    assert names == [f"readings.sqlite.damaged-{STAMP}{end}" for end in ("", "-2", "-3")]
