"""Case I1: one typing error in the configuration neither stops everything nor goes unnoticed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from watcher.config import check, load_sites

REPO = Path(__file__).resolve().parents[2]
GOOD = (REPO / "config" / "sites" / "example-home.toml").read_text(encoding="utf-8")


def with_line(old: str, new: str) -> bytes:
    assert old in GOOD
    return GOOD.replace(old, new, 1).encode()


FAULTS = [
    pytest.param(
        with_line("tilt_deg = 35 ", 'tilt_deg = "35o" '),
        'array[0].tilt_deg = "35o": must be a number without quotes, 0 to 90 (0 flat, 90 upright)',
        id="tilt as text",
    ),
    pytest.param(
        with_line("address = ", "adress = "), "source[0].adress: unknown key, did you mean address?", id="adress"
    ),
    pytest.param(
        with_line('serial = "0718223"', "serial = 0012345"),
        "serial = 0012345: a number does not begin with 0; where the zeros count, it is text: put it in quotes, "
        'serial = "0012345"',
        id="leading zeros",
    ),
    pytest.param(
        with_line('serial = "0718223"', "serial = 12345"),
        "meter[0].serial = 12345: a serial is text: put it in quotes, leading zeros count",
        id="serial as a number",
    ),
    pytest.param(
        with_line('region = "thames-valley"', "country = NO"),
        'text in quotes: country = "NO"',
        id="bare word",
    ),
    pytest.param(
        with_line("192.168.1.20:502", "host:10.0.0.5"),
        'source[0].address = "host:10.0.0.5": must be "host:port", such as "192.168.1.20:502"',
        id="no port",
    ),
    pytest.param(
        with_line("altitude_m = 25", "altitude_m 25"),
        "altitude_m 25: a key and its value are joined by =, as in tilt_deg = 35",
        id="missing =",
    ),
    pytest.param(
        with_line("altitude_m = 25", "altitude_m = 25\naltitude_m = 30"),
        "altitude_m = 30: this stands twice; keep one",
        id="the same key twice",
    ),
    pytest.param(b"", "the file is empty; nothing can be watched by it", id="empty file"),
    pytest.param(
        GOOD.encode()[: GOOD.index("peak_power_w") + 16],
        "array[0].input: missing",
        id="half-written file, cut behind a value",
    ),
    pytest.param(
        GOOD.encode()[: GOOD.index("inverter-1.input-1") + 4],
        'input = "inve: the file ends in the middle of this; was it only half written?',
        id="half-written file, cut inside a value",
    ),
    pytest.param(
        GOOD.encode()[: GOOD.index("[[inverter]]")],
        "inverter: missing; must be a list of tables",
        id="half of the tables",
    ),
    pytest.param(
        with_line("12 Example Road", "12 Example Road, roof 35\u00b0").replace("\u00b0".encode(), b"\xb0"),
        'name = "12 Example Road, roof 35\u00b0": byte 0xb0 is not UTF-8; save the file with the encoding UTF-8',
        id="Latin-1",
    ),
]


@pytest.mark.parametrize(("content", "expected"), FAULTS)
def test_case_i1_each_fault_is_said_with_its_file_and_how_to_put_it_right(
    tmp_path: Path, content: bytes, expected: str
) -> None:
    (tmp_path / "home-1.toml").write_text(GOOD)
    (tmp_path / "home-2.toml").write_bytes(content)
    found = load_sites(tmp_path)
    assert set(found.good) == {"home-1"}
    assert all(problem.place.startswith(f"{tmp_path}/home-2.toml") for problem in found.problems)
    assert expected in "\n".join(str(problem) for problem in found.problems)


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four hundred good site files."""
    folder = tmp_path_factory.mktemp("town")
    for number in range(400):
        (folder / f"home-{number}.toml").write_text(GOOD)
    return folder


@pytest.mark.slow
def test_case_i1_of_four_hundred_files_one_is_bad_and_399_are_watched(town: Path) -> None:
    bad = town / "home-17.toml"
    bad.write_text(
        GOOD.replace("azimuth_deg = 175", "azimuth_deg = 540").replace('id = "south"', 'id = "south"\ntlt_deg = 3')
    )
    found = load_sites(town)
    assert (len(found.good), found.files) == (399, 400)
    assert "home-17" not in found.good
    assert [problem.key for problem in found.problems] == ["array[0].tlt_deg", "array[0].azimuth_deg"]
    bad.write_text(GOOD)


def test_case_i1_a_site_id_used_twice_by_link_or_copy_is_said_and_the_home_stays_watched(tmp_path: Path) -> None:
    first = tmp_path / "home-1.toml"
    first.write_text(GOOD)
    (tmp_path / "more").mkdir()
    shutil.copy(first, tmp_path / "more" / "home-1.toml")
    (tmp_path / "home-2.toml").symlink_to(first)
    found = load_sites(tmp_path)
    assert set(found.good) == {"home-1"}
    assert {problem.place for problem in found.problems} == {
        f"{tmp_path}/home-2.toml",
        f"{tmp_path}/more/home-1.toml",
    }


@pytest.mark.parametrize("content", [None, b"", b"\xff\xfe\x00", b"sites_folder = \n"])
def test_case_i1_a_watcher_file_that_is_empty_or_unreadable_is_never_a_quiet_start_with_no_sites(
    tmp_path: Path, content: bytes | None
) -> None:
    path = tmp_path / "watcher.toml"
    if content is not None:
        path.write_bytes(content)
    (problem,) = check(path, {})
    assert problem.place.startswith(str(path))
