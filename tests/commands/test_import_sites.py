"""`watcher import --sites`: from a spreadsheet to site files that the program itself has nothing against."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pytest

from tests.commands.conftest import WATCHER, Place
from watcher.config import load_site, load_sites
from watcher.domain.instant import parse_iso
from watcher.domain.site import Conversion, Scheme, SourceKind

REPO = Path(__file__).resolve().parents[2]
HEADING = "Customer,Lat,Long,kWp,Pitch,Facing,Inverter kW,Meter serial,Meter digits\n"


@pytest.fixture
def office(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Place:
    """A watcher file and nothing else: not even a folder of sites."""
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    return Place(tmp_path, capsys)


def write(office: Place, rows: str, heading: str = HEADING) -> Path:
    path = office.folder / "sites.csv"
    path.write_text(heading + rows, encoding="utf-8")
    return path


def files(office: Place) -> dict[str, str]:
    return {path.name: path.read_text(encoding="utf-8") for path in (office.folder / "sites").glob("*")}


def test_the_example_becomes_sites_that_check_accepts(office: Place) -> None:
    code, out, err = office.run("import", "--sites", REPO / "config" / "sheets" / "sites.csv")
    assert (code, err) == (0, "")
    assert "2 sites: 2 new" in out
    assert office.run("check")[0] == 0
    record = load_sites(office.folder / "sites").good["home-2"]
    assert [(one.tilt_deg, one.azimuth_deg, one.peak_power_w, one.input) for one in record.arrays] == [
        (30, 90, 2000, "inverter-1.input-1"),
        (30, 270, 2000, "inverter-1.input-2"),
    ]
    assert record.base.payment.scheme is Scheme.FEED_IN
    assert record.base.papers.commissioned == "2014-11-12", "day before month"
    assert record.base.sources[0].kind is SourceKind.TYPED
    assert load_sites(office.folder / "sites").good["home-1"].meters[0].serial == "0718223"


def test_a_preview_says_all_and_writes_nothing(office: Place) -> None:
    sheet = write(office, "A,53.4,-1.5,4,35,S,3.68,1,5\n")
    code, out, _ = office.run("import", "--sites", sheet, "--preview")
    assert code == 0
    assert "Facing is azimuth" in out
    assert "a  new: A; 4 kW at 35° facing 180°" in out
    assert "nothing was written" in out
    assert not (office.folder / "sites").exists()


def test_the_same_rows_again_in_another_order_touch_no_file(office: Place) -> None:
    rows = ["A,53.4,-1.5,4,35,S,3.68,1,5\n", "B,53.4,-1.5,3,30,E,3,2,5\n"]
    office.run("import", "--sites", write(office, "".join(rows)))
    before = {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in (office.folder / "sites").iterdir()}
    code, out, _ = office.run("import", "--sites", write(office, "".join(reversed(rows))))
    assert code == 0
    assert "2 sites: 0 new, 2 same, 0 changed" in out
    assert {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in before} == before


def test_a_changed_row_says_what_changed(office: Place) -> None:
    office.run("import", "--sites", write(office, "A,53.4,-1.5,4,35,S,3.68,1,5\n"))
    _, out, _ = office.run("import", "--sites", write(office, "A,53.4,-1.5,4,40,S,3.68,1,5\n"))
    assert "a  changed: array[0].tilt_deg: 35, now 40" in out
    assert "tilt_deg = 40" in files(office)["a.toml"]


@pytest.mark.parametrize("subfolder", ["", "north"])
def test_a_file_that_a_person_changed_is_left_alone_and_the_difference_said(office: Place, subfolder: str) -> None:
    office.run("import", "--sites", write(office, "A,53.4,-1.5,4,35,S,3.68,1,5\n"))
    path = office.folder / "sites" / "a.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("peak_power_w = 4000", "peak_power_w = 4200"), "utf-8")
    if subfolder:
        (office.folder / "sites" / subfolder).mkdir()
        path = shutil.move(path, office.folder / "sites" / subfolder / "a.toml")
    before = Path(path).read_bytes()
    code, out, _ = office.run("import", "--sites", write(office, "A,53.4,-1.5,4,35,S,3.68,1,5\n"))
    assert code == 0
    assert "a  left alone: its file was written or changed by hand" in out
    assert "array[0].peak_power_w: 4200, now 4000" in out
    assert Path(path).read_bytes() == before
    assert [one.name for one in (office.folder / "sites").rglob("*.toml")] == ["a.toml"]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        pytest.param("B,53.4,-1.5,4,steep,S,,,", 'row 3: Pitch = "steep": must be degrees', id="slope"),
        pytest.param("B,53.4,-1.5,4,95,S,,,", "row 3: Pitch = ", id="slope beyond upright"),
        pytest.param("B,53.4,-1.5,4,35,-45,,,", "must be degrees clockwise from north", id="south counted as zero"),
        pytest.param("B,53.4,-1.5,,35,S,,,", "row 3: kWp: missing", id="no power"),
        pytest.param('B,53.4,-1.5,"3,9",35,S,,,', 'row 3: kWp = "3,9": must be a number', id="a comma for a point"),
        pytest.param("B,53.4,,4,35,S,,,", "row 3: Long: missing; a place has both", id="half a place"),
        pytest.param("B,,,4,35,S,,,", "row 3: no place: give latitude", id="no place"),
        pytest.param("B,453.4,-1.5,4,35,S,,,", "row 3: Lat = ", id="off the globe"),
        pytest.param(",53.4,-1.5,4,35,S,,,", "row 3: Customer: missing", id="no name"),
        pytest.param("!!!,53.4,-1.5,4,35,S,,,", "must hold letters or digits", id="a name without a letter"),
        pytest.param("B,53.4,-1.5,4,35,S,,,12.5", "row 3: Meter digits = ", id="half a digit"),
        pytest.param("B,53.4,-1.5,4", "row 3: Pitch: missing", id="a row cut short"),
    ],
)
def test_a_bad_row_is_named_with_its_column_and_the_good_ones_are_kept(office: Place, row: str, said: str) -> None:
    code, out, _ = office.run("import", "--sites", write(office, f"A,53.4,-1.5,4,35,S,3.68,1,5\n{row}\n"))
    assert code == 1
    assert said in out
    assert set(files(office)) == {"a.toml"}


def test_a_site_with_one_bad_row_is_not_judged_by_its_other_half(office: Place) -> None:
    rows = "A,53.4,-1.5,2,35,E,3.68,1,5\nA,,,2,35,up,,,\n"
    code, out, _ = office.run("import", "--sites", write(office, rows))
    assert code == 2
    assert "a row of a cannot be taken, so its other rows are not either" in out
    assert files(office) == {}


@pytest.mark.parametrize(("cells", "taken"), [("2,35,W", {"b.toml"}), ("6,,", {"a.toml", "b.toml"})])
def test_panels_without_a_name_hold_back_the_site_above_and_a_line_of_totals_does_not(
    office: Place, cells: str, taken: set[str]
) -> None:
    rows = f"A,53.4,-1.5,2,35,E,,,\n,,,{cells},,,\nB,53.4,-1.5,2,35,E,,,\n"
    code, out, _ = office.run("import", "--sites", write(office, rows))
    assert code == 1
    assert "row 3: Customer: missing" in out
    assert ("panels without a name stand below a" in out) == (len(taken) == 1)
    assert set(files(office)) == taken


def test_two_homes_of_one_name_are_not_taken_for_one(office: Place) -> None:
    rows = "1 High St,53.4,-1.5,2,35,E,3.68,1,5\n1 High St,51.0,-0.5,2,35,E,3.68,2,5\n"
    code, out, _ = office.run("import", "--sites", write(office, rows))
    assert code == 2
    assert "an earlier row of this site says 53.4; another site needs another id" in out


def test_what_is_assumed_is_said(office: Place) -> None:
    rows = "A,53.4,-1.5,4000,35,S,,,\n"
    heading = HEADING.replace("kWp", "Peak power")
    _, out, _ = office.run("import", "--sites", write(office, rows, heading))
    assert "note: no inverter rating: taken to be as large as the panels' peak power (row 2)" in out
    assert "note: no number of digits" in out
    record = load_sites(office.folder / "sites").good["a"]
    assert (record.inverters[0].ac_limit_w, record.arrays[0].peak_power_w) == (4000, 4000)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        pytest.param("A,53.4,1.52e,4,35,S,,,\nB,53.4,4.9,4,35,S,,,\n", "most of it is negative", id="east of Britain"),
        pytest.param(
            "A,53.4,-1.5,4,35,0,,,\nB,53.4,-1.5,4,35,45,,,\nC,53.4,-1.5,4,35,315,,,\n",
            "counted from south?",
            id="north",
        ),
    ],
)
def test_what_looks_like_a_slip_of_the_whole_sheet_is_asked(office: Place, rows: str, said: str) -> None:
    assert said in office.run("import", "--sites", write(office, rows))[1]


def test_coordinates_win_over_the_postcode_and_without_a_table_a_postcode_is_no_place(office: Place) -> None:
    heading = "Name,Postcode,Lat,Lon,kWp,Slope,Direction\n"
    rows = "A,s1 1aa,53.4,-1.5,4,35,S\nB,S1 1AA,,,4,35,S\nC,S1,,,4,35,S\nD,S9 9ZZ,,,4,35,S\nE,S1 1AA,51,-0.1,4,35,S\n"
    sheet = write(office, rows, heading)
    code, out, _ = office.run("import", "--sites", sheet, "--preview")
    assert code == 1
    assert 'row 3: Postcode = "S1 1AA": needs a table of places: give --postcodes FILE' in out
    table = office.folder / "open.csv"
    table.write_text("pcds,lat,long\nS1 1AA,53.38,-1.47\nS1 1AB,53.40,-1.49\n", encoding="utf-8")
    code, out, _ = office.run("import", "--sites", sheet, "--postcodes", table)
    assert code == 1
    assert 'row 5: Postcode = "S9 9ZZ": is not in the table' in out
    assert "half a postcode gives the middle of an area, kilometres off (row 4)" in out
    assert "the coordinates lie far from the postcode; the coordinates are taken (row 6)" in out
    places = {id: record.base.latitude_deg for id, record in load_sites(office.folder / "sites").good.items()}
    assert places == {"a": 53.4, "b": 53.38, "c": pytest.approx(53.39), "e": 51.0}


def test_a_workbook_with_titles_above_is_read_as_well(office: Place) -> None:
    book = openpyxl.Workbook()
    page = book.active
    page.merge_cells("A1:F1")
    page["A1"] = "Customers 2024"
    page.append([])
    page.append(["Address", "Latitude", "Longitude", "Panels", "Panel rating (W)", "Pitch", "Aspect", "Electronics"])
    page.append(["1 Mill Lane", 53.4, -1.5, 16, 245, "35°", "South-West", "Micro inverters"])
    book.save(office.folder / "sites.xlsx")
    code, out, _ = office.run("import", "--sites", office.folder / "sites.xlsx")
    assert code == 0, out
    assert "heading in row 3" in out
    (array,) = load_sites(office.folder / "sites").good["site-1-mill-lane"].arrays
    assert (array.peak_power_w, array.azimuth_deg, array.conversion) == (3920, 225, Conversion.MICRO)


def test_panels_added_and_devices_exchanged_hold_from_their_day_on(office: Place) -> None:
    heading = "Name,Lat,Lon,kWp,Slope,Direction,Inverter,Inverter kW,Meter serial,Digits,From\n"
    rows = (
        "A,53.4,-1.5,2,35,S,1,1.8,111,5,\n"
        "A,,,1,20,W,2,1.0,,,01/06/2019\n"  # an extension with its own inverter
        "A,,,,,,1,2.2,,,2021-03-02\n"  # the first inverter is exchanged
        "A,,,,,,,,222,6,2022-09-01\n"  # and the meter
    )
    code, out, _ = office.run("import", "--sites", write(office, rows, heading))
    assert code == 0, out
    record = load_site(files(office)["a.toml"], "a.toml", "a")
    then = {year: record.at(parse_iso(f"{year}-12-31T12:00:00Z")) for year in (2018, 2019, 2021, 2022)}
    assert [len(site.arrays) for site in then.values()] == [1, 2, 2, 2]
    assert [[one.ac_limit_w for one in site.inverters] for site in then.values()] == [
        [1800],
        *[[1800, 1000]],
        *[[2200, 1000]] * 2,
    ]
    assert [site.meters[0].covers for site in then.values()] == [("inverter-1",), *[("inverter-1", "inverter-2")] * 3]
    assert [(site.meters[0].serial, site.meters[0].digits) for site in then.values()] == [*[("111", 5)] * 3, ("222", 6)]


@pytest.mark.parametrize(
    ("cells", "ratings"),
    [
        pytest.param(("3.68 kW", "3.68kW"), [3680], id="a power is its rating"),
        pytest.param(("upstairs", "garage"), [2000, 2000], id="two names are two"),
        pytest.param(("a 3600", "a 3600"), [4000], id="one name is one"),
        pytest.param(("2", "1"), [2000, 2000], id="numbers"),
    ],
)
def test_a_column_of_inverters_may_hold_numbers_names_or_powers(
    office: Place, cells: tuple[str, str], ratings: list[float]
) -> None:
    rows = f"A,53.4,-1.5,2,35,E,{cells[0]}\nA,,,2,35,W,{cells[1]}\n"
    code, out, _ = office.run("import", "--sites", write(office, rows, "Name,Lat,Lon,kWp,Slope,Direction,Inverter\n"))
    assert code == 0, out
    inverters = load_sites(office.folder / "sites").good["a"].inverters
    assert [one.ac_limit_w for one in inverters] == ratings
    assert [one.id for one in inverters] == ["inverter-1", "inverter-2"][: len(ratings)]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "give one of"),
        (["--sites", "a.csv", "--readings", "b.csv"], "give one of"),
        (["a.csv"], "--site: missing"),
        (["a.csv", "--site", "x", "--columns", "m.toml", "--preview"], "only for a spreadsheet"),
        (["--sites", "a.csv", "--site", "x"], "not for a spreadsheet"),
        (["--readings", "a.csv", "--postcodes", "p.csv"], "only with --sites"),
        (["--sites", "none.csv"], "cannot be read"),
    ],
)
def test_what_is_not_clear_is_refused(office: Place, arguments: list[str], said: str) -> None:
    code, _, err = office.run("import", *arguments)
    assert code == 2
    assert said in err
