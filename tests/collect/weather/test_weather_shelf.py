"""Answers on disk: whole or not there, bounded, and never in the way."""

from __future__ import annotations

import logging
import os
from pathlib import Path

import pytest

from watcher.collect.weather.manners import Manners
from watcher.collect.weather.shelf import Kept, Shelf

KEPT = Kept(3, 1, 2, b'{"generated":\n"x"}\x00\xff')


def test_what_is_kept_is_found_again_by_another(tmp_path: Path) -> None:
    Shelf(tmp_path / "weather").keep_answer("https://a.example plain", KEPT)
    assert Shelf(tmp_path / "weather").answer("https://a.example plain") == KEPT
    assert Shelf(tmp_path / "weather").answer("https://b.example plain") is None


def test_the_newest_answer_takes_the_place_of_the_one_before(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.keep_answer("a", KEPT)
    shelf.keep_answer("a", Kept(9, 8, 7, b"new"))
    assert shelf.answer("a") == Kept(9, 8, 7, b"new")
    assert len(list(tmp_path.iterdir())) == 1


def test_manners_outlive_us(tmp_path: Path) -> None:
    manners = Manners(5, 4, 3, 2)
    Shelf(tmp_path).keep_manners("https://a.example", manners)
    assert Shelf(tmp_path).manners("https://a.example") == manners
    assert Shelf(tmp_path).manners("https://b.example") == Manners()


@pytest.mark.parametrize("left", [b"", b"{", b"[]\n", b'{"key": "a"}\nbody', b"\xff\xfe", b"null\nx"])
def test_a_file_that_is_no_answer_is_none(tmp_path: Path, left: bytes) -> None:
    shelf = Shelf(tmp_path)
    shelf.keep_answer("a", KEPT)
    shelf.keep_manners("a", Manners(1, 1, 1, 1))
    for file in tmp_path.iterdir():
        file.write_bytes(left)
    assert shelf.answer("a") is None
    assert shelf.manners("a") == Manners()


def test_an_answer_cut_short_by_a_power_cut_is_none(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.keep_answer("a", KEPT)
    (file,) = tmp_path.iterdir()
    whole = file.read_bytes()
    for length in range(len(whole)):
        file.write_bytes(whole[:length])
        assert shelf.answer("a") is None
    file.write_bytes(whole)
    assert shelf.answer("a") == KEPT


def test_the_folder_stays_below_its_limit_and_the_longest_kept_goes_first(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, limit_bytes=5_000)
    for number in range(12):
        shelf.keep_answer(f"cell {number}", Kept(number, 0, 0, b"x" * 900))
        for file in tmp_path.glob("*.answer"):  # however coarse the file system's clock
            stat = file.stat()
            os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns - 10**9))
    there = [number for number in range(12) if shelf.answer(f"cell {number}") is not None]
    assert there == [7, 8, 9, 10, 11]
    assert sum(file.stat().st_size for file in tmp_path.iterdir()) <= 5_000


def test_a_folder_that_cannot_be_written_is_said_once_and_costs_nothing_else(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "weather").write_text("a file where the folder should be")
    shelf = Shelf(tmp_path / "weather")
    with caplog.at_level(logging.WARNING):
        for _ in range(3):
            shelf.keep_answer("a", KEPT)
            shelf.keep_manners("a", Manners())
    assert shelf.answer("a") is None
    assert [record.message.partition(" ")[0] for record in caplog.records] == ["weather-answers-not-kept"]
