"""A folder of site files: each bad one costs one site, and every id is used once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from watcher.config import load_sites

REPO = Path(__file__).resolve().parents[2]
GOOD = (REPO / "config" / "sites" / "example-home.toml").read_text(encoding="utf-8")


def put(folder: Path, name: str, text: str = GOOD) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_sub_folders_are_read_and_other_files_left_alone(tmp_path: Path) -> None:
    put(tmp_path, "home-1.toml")
    put(tmp_path, "north/home-2.toml")
    for name in ("notes.txt", "home-3.toml~", ".home-4.toml", ".backup/home-5.toml", "home-6.toml.swp"):
        put(tmp_path, name, "not a site")
    found = load_sites(tmp_path)
    assert set(found.good) == {"home-1", "home-2"}
    assert found.texts["home-2"] == GOOD
    assert (found.problems, found.files) == ((), 2)
    assert found.good["home-2"].id == "home-2"


@pytest.mark.parametrize("copy", ["older/home-1.toml", "z/deeper/home-1.toml"])
def test_a_copy_of_a_site_file_is_named_and_the_one_nearest_the_top_is_used(tmp_path: Path, copy: str) -> None:
    put(tmp_path, "home-1.toml")
    put(tmp_path, copy, GOOD.replace("12 Example Road", "Old"))
    found = load_sites(tmp_path)
    assert found.good["home-1"].base.name == "12 Example Road"
    (problem,) = found.problems
    assert problem.place == str(tmp_path / copy)
    assert problem.allowed.startswith(f"site id home-1 is used twice; {tmp_path / 'home-1.toml'} is the one in use")


@pytest.mark.parametrize("link", ["a-link.toml", "z-link.toml", "north/home-1.toml"])
def test_a_link_to_a_site_file_is_named_and_the_file_itself_is_used(tmp_path: Path, link: str) -> None:
    put(tmp_path, "home-1.toml")
    (tmp_path / link).parent.mkdir(exist_ok=True)
    (tmp_path / link).symlink_to(tmp_path / "home-1.toml")
    found = load_sites(tmp_path)
    assert set(found.good) == {"home-1"}
    (problem,) = found.problems
    assert problem.place == str(tmp_path / link)
    assert "by a link" in problem.allowed


def test_two_homes_with_one_address_are_two_sites(tmp_path: Path) -> None:
    put(tmp_path, "flat-1.toml")
    put(tmp_path, "flat-2.toml")
    assert len(load_sites(tmp_path).good) == 2


def test_a_linked_folder_is_entered_once_and_a_ring_of_links_ends(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    put(elsewhere, "home-2.toml")
    sites = tmp_path / "sites"
    put(sites, "home-1.toml")
    (sites / "more").symlink_to(elsewhere)
    (elsewhere / "back").symlink_to(sites)
    found = load_sites(sites)
    assert set(found.good) == {"home-1", "home-2"}
    assert found.problems == ()


def test_what_is_no_ordinary_file_is_named_and_hangs_nothing(tmp_path: Path) -> None:
    put(tmp_path, "home-1.toml")
    os.mkfifo(tmp_path / "home-2.toml")
    (tmp_path / "home-3.toml").symlink_to(tmp_path / "gone")
    put(tmp_path, "home-4.toml", "#" * 1_000_001)
    found = load_sites(tmp_path)
    assert set(found.good) == {"home-1"}
    assert [(Path(problem.place).stem, problem.allowed) for problem in found.problems] == [
        ("home-2", "not an ordinary file"),
        ("home-4", "larger than 1000000 bytes, so no such file"),
        ("home-3", "not an ordinary file"),
    ]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_read_permission_is_named(tmp_path: Path) -> None:
    put(tmp_path, "home-1.toml")
    put(tmp_path, "home-2.toml").chmod(0)
    found = load_sites(tmp_path)
    assert set(found.good) == {"home-1"}
    assert [problem.allowed for problem in found.problems] == ["cannot be read: Permission denied"]
