"""Past sunshine on disk: what was kept comes back, what is damaged is as if it were not there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.domain.errors import StoreError
from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.expect.expectation import Basis
from watcher.store.sunshine import KeptYear, Kind, Node, SunshineStore, year_bounds, years_of
from watcher.sunshine import kept_sunshine

HERE = Node(53.5, -1.5, 0.5)
NOON = parse_iso("2022-06-21T12:00:00Z")


def a_year(*values: tuple[str, int, float], basis: str = "satellite") -> KeptYear:
    (year,) = years_of(values, basis, NOON, "https://radiation.example.org")
    return year


def noon_of(store: SunshineStore, latitude: float = 53.4, longitude: float = -1.3) -> tuple[float, int]:
    found = kept_sunshine(store, latitude, longitude, NOON - HOUR_MS, NOON)
    assert found.hour_ending_ms.tolist() == [NOON]
    return float(found.ghi[0]), int(found.basis[0])


def test_an_hour_kept_is_found_again_at_every_place_its_node_serves(tmp_path: Path) -> None:
    store = SunshineStore(tmp_path)
    store.keep(HERE, a_year(("ghi", NOON, 812.44), ("temp_air", NOON, 19.57)))
    found = kept_sunshine(store, 53.3, -1.7, NOON - HOUR_MS, NOON)
    assert (found.ghi.tolist(), found.temp_air.tolist()) == ([812.4], [19.57])
    assert np.isnan(found.wind_speed).all()
    assert found.basis.tolist() == [Basis.SATELLITE]


def test_a_place_no_node_serves_has_no_known_hour(tmp_path: Path) -> None:
    store = SunshineStore(tmp_path)
    store.keep(HERE, a_year(("ghi", NOON, 812.0)))
    assert kept_sunshine(store, 54.1, -1.5, NOON - HOUR_MS, NOON).known() == 0


def test_no_folder_is_no_sunshine_and_no_error(tmp_path: Path) -> None:
    assert kept_sunshine(SunshineStore(tmp_path / "none"), 53.4, -1.3, NOON - HOUR_MS, NOON).known() == 0


def test_the_better_basis_counts_then_the_nearer_node(tmp_path: Path) -> None:
    store = SunshineStore(tmp_path)
    store.keep(HERE, a_year(("ghi", NOON, 100.0), basis="weather"))
    assert noon_of(store) == (100.0, Basis.WEATHER)
    store.keep(HERE, a_year(("ghi", NOON, 200.0)))
    assert noon_of(store) == (200.0, Basis.SATELLITE)
    store.keep(Node(53.4, -1.3, 0.1), a_year(("ghi", NOON, 300.0)))
    assert noon_of(store) == (300.0, Basis.SATELLITE)


def test_a_later_word_changes_an_hour_and_forgets_none(tmp_path: Path) -> None:
    store = SunshineStore(tmp_path)
    store.keep(HERE, a_year(("ghi", NOON, 100.0), ("ghi", NOON - HOUR_MS, 90.0)))
    kept = store.keep(HERE, a_year(("ghi", NOON, 110.0), ("ghi", NOON + HOUR_MS, 120.0)))
    assert kept.known() == 3
    found = kept_sunshine(store, 53.5, -1.5, NOON - 2 * HOUR_MS, NOON + HOUR_MS)
    assert found.ghi.tolist() == [90.0, 110.0, 120.0]


@pytest.mark.parametrize(("year", "hours"), [(2022, 8760), (2024, 8784)])
def test_the_last_hour_of_a_year_ends_with_the_year(tmp_path: Path, year: int, hours: int) -> None:
    first_ms, next_ms = year_bounds(year)
    found = years_of([("ghi", first_ms, 1.0), ("ghi", next_ms, 2.0)], "satellite", 0, "")
    assert [one.kind.year for one in found] == [year - 1, year]
    assert len(found[1].columns["ghi"]) == hours
    assert found[1].columns["ghi"][-1] == 20


@pytest.mark.parametrize("harm", ["cut", "flipped", "emptied", "of-another-year", "newer-format"])
def test_a_damaged_file_is_as_if_it_were_not_there(tmp_path: Path, harm: str) -> None:
    store = SunshineStore(tmp_path)
    store.keep(HERE, a_year(("ghi", NOON, 100.0)))
    (file,) = tmp_path.rglob("*.hours")
    content = file.read_bytes()
    match harm:
        case "cut":
            file.write_bytes(content[:-9])
        case "flipped":
            file.write_bytes(content[:-1] + bytes([content[-1] ^ 0x40]))
        case "emptied":
            file.write_bytes(b"")
        case "of-another-year":
            file.rename(file.with_name("2024-satellite.hours"))
        case _:
            file.write_bytes(content.replace(b'"format": 1', b'"format": 2'))
    assert kept_sunshine(store, 53.5, -1.5, NOON - HOUR_MS, NOON).known() == 0
    store.keep(HERE, a_year(("ghi", NOON, 100.0)))
    assert noon_of(store) == (100.0, Basis.SATELLITE)


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "sunshine").write_text("a file where the folder should be")
    with pytest.raises(StoreError, match="cannot be kept"):
        SunshineStore(tmp_path / "sunshine").keep(HERE, a_year(("ghi", NOON, 1.0)))


def test_files_of_other_kinds_in_the_folder_are_passed_over(tmp_path: Path) -> None:
    (tmp_path / "notes").mkdir()
    (tmp_path / "a_b_c").mkdir()
    store = SunshineStore(tmp_path)
    store.keep(HERE, a_year(("ghi", NOON, 100.0)))
    (tmp_path / str(HERE) / "readme.hours").write_text("no")
    assert store.nodes() == [HERE]
    assert store.kinds(HERE) == [Kind(2022, "satellite")]


@settings(max_examples=25)
@given(st.dictionaries(st.integers(0, 8759), st.floats(0, 1500), min_size=1, max_size=40))
def test_what_is_kept_comes_back_to_a_tenth_of_a_watt(
    tmp_path_factory: pytest.TempPathFactory, told: dict[int, float]
) -> None:
    store = SunshineStore(tmp_path_factory.mktemp("kept"))
    first_ms, next_ms = year_bounds(2022)
    store.keep(HERE, a_year(*(("ghi", first_ms + (at + 1) * HOUR_MS, value) for at, value in told.items())))
    found = kept_sunshine(store, 53.5, -1.5, first_ms, next_ms)
    assert set(np.flatnonzero(found.basis)) == set(told)
    for at, value in told.items():
        assert found.ghi[at] == pytest.approx(value, abs=0.0501)
