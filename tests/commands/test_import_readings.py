"""`watcher import --readings`: from a spreadsheet into the log, each reading checked as if it were typed."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import openpyxl
import pytest

from tests.commands.conftest import HOME, WATCHER, Place
from watcher.align.typed import Standing, TypedReading, continuous, life_of, typed_readings
from watcher.config import load_site
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import parse_iso
from watcher.store.ledger import Ledger

HEADING = "Site,Date,Time,Reading,Read by\n"


@pytest.fixture
def office(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Place:
    """Two homes on file, nothing read yet."""
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    (tmp_path / "sites").mkdir()
    place = Place(tmp_path, capsys)
    place.site_file("home-1", HOME.replace('covers = ["inverter-1"]', 'covers = ["inverter-1"]\nserial = "0718"'))
    place.site_file("home-2", HOME.replace("4 Test Lane", "6 Test Lane"))
    return place


def write(office: Place, rows: str, heading: str = HEADING) -> Path:
    path = office.folder / "readings.csv"
    path.write_text(heading + rows, encoding="utf-8")
    return path


def events(office: Place, site: str = "home-1") -> list[Event]:
    with Ledger(office.files.ledger_url) as ledger:
        return ledger.events(site, 2**62)[0]


def readings(office: Place, site: str = "home-1") -> tuple[TypedReading, ...]:
    return typed_readings(events(office, site), "meter-1")


def test_readings_of_several_sites_by_id_and_by_name_are_recorded_at_their_local_time(office: Place) -> None:
    rows = 'home-1,30/06/2023,09:30,"12,345",A. Owner\n6 test lane,30/06/2023,,"2,345.6 kWh",\n'
    code, out, err = office.run("import", "--readings", write(office, rows))
    assert (code, err) == (0, "")
    assert "2 readings: 2 new" in out
    (one,) = readings(office)
    assert (one.at_ms, one.index_wh, one.who) == (parse_iso("2023-06-30T09:30:00+01:00"), 12_345_000, "A. Owner")
    (other,) = readings(office, "home-2")
    assert (other.at_ms, other.index_wh) == (parse_iso("2023-06-30T12:00:00+01:00"), 2_345_600)


def test_the_same_rows_again_add_nothing_and_more_rows_only_themselves(office: Place) -> None:
    rows = "home-1,30/06/2023,09:30,12345,\nhome-1,30/09/2023,,13345,\n"
    office.run("import", "--readings", write(office, rows))
    before = events(office)
    _, out, _ = office.run("import", "--readings", write(office, rows))
    assert "2 readings: 0 new, 2 there already" in out
    assert events(office) == before
    _, out, _ = office.run("import", "--readings", write(office, rows + "home-1,31/12/2023,,13745,\n"))
    assert "3 readings: 1 new, 2 there already" in out
    assert len(events(office)) == 3


def test_a_row_without_a_time_is_the_reading_that_was_typed_with_one(office: Place) -> None:
    office.run("import", "--readings", write(office, "home-1,30/06/2023,09:30,12345,\n"))
    _, out, _ = office.run("import", "--readings", write(office, "home-1,2023-06-30,,12345,\n"))
    assert "0 new, 1 there already" in out


def test_a_changed_row_is_typed_anew_and_said(office: Place) -> None:
    office.run("import", "--readings", write(office, "home-1,30/06/2023,,12345,\n"))
    _, out, _ = office.run("import", "--readings", write(office, "home-1,30/06/2023,,12354,\n"))
    assert "row 2: changed: home-1 meter-1 on 2023-06-30: 12345 was typed before, now 12354" in out
    assert [one.index_wh for one in readings(office)] == [12_354_000]
    assert len(events(office)) == 2, "nothing typed is taken back"


def test_an_odd_reading_is_kept_as_a_question_until_a_later_one_settles_it(office: Place) -> None:
    # 1,000 kWh a quarter; the second was typed with a digit too many at its front.
    rows = "home-1,31/03/2023,,12345,\nhome-1,30/06/2023,,93345,\n"
    code, out, _ = office.run("import", "--readings", write(office, rows))
    assert code == 0
    assert "row 3: asked about: home-1 meter-1 on 2023-06-30: 93345: This is more than can have been made" in out
    assert [one.standing for one in readings(office)] == [Standing.GOOD, Standing.ASKED]
    _, out, _ = office.run("import", "--readings", write(office, rows + "home-1,30/09/2023,,14345,\n"))
    assert "3 readings: 1 new, 2 there already" in out
    assert [one.standing for one in readings(office)] == [Standing.GOOD, Standing.WITHDRAWN, Standing.GOOD]
    assert [one.kind for one in events(office)].count(EventKind.TYPED_READING) == 3


def test_an_odd_reading_that_later_rows_belie_is_left_out_and_named(office: Place) -> None:
    rows = "home-1,31/03/2023,,12345,\nhome-1,30/06/2023,,93345,\nhome-1,30/09/2023,,14345,\n"
    _, out, _ = office.run("import", "--readings", write(office, rows))
    assert "row 3: left out, for later readings belie it: home-1 meter-1 on 2023-06-30: 93345: This is more" in out
    assert "0 asked about, 1 left out" in out


def test_a_preview_records_nothing_and_makes_no_folder(office: Place) -> None:
    code, out, _ = office.run("import", "--readings", write(office, "home-1,30/06/2023,,12345,\n"), "--preview")
    assert code == 0
    assert "1 readings: 1 new" in out
    assert "nothing was recorded" in out
    assert not (office.folder / "data").exists()


@pytest.mark.parametrize(
    ("row", "said"),
    [
        pytest.param("home-9,30/06/2023,,12345,", 'row 3: Site = "home-9": no such site', id="no such site"),
        pytest.param("home1,30/06/2023,,12345,", "did you mean home-1?", id="a near miss"),
        pytest.param(",30/06/2023,,12345,", "row 3: Site: missing", id="no site"),
        pytest.param("home-1,,,12345,", "row 3: Date: missing", id="no date"),
        pytest.param("home-1,31/06/2023,,12345,", "there is no such day", id="no such day"),
        pytest.param("home-1,30/06/2123,,12345,", "lies ahead", id="not yet"),
        pytest.param(
            "home-1,30/06/2023,noonish,12345,", 'row 3: Time = "noonish": must be a time of day', id="no time"
        ),
        pytest.param("home-1,30/06/2023,,,", "row 3: Reading: missing", id="no reading"),
        pytest.param("home-1,30/06/2023,,12345 MWh h,", "row 3: Reading = ", id="no number"),
        pytest.param("home-1,30/06/2023,,-5,", "must be 0 or more", id="below nothing"),
        pytest.param(
            "home-1,31/03/2023,,99,", "row 2 says 12345 for the same meter and time", id="twice, not the same"
        ),
    ],
)
def test_a_bad_row_is_named_and_the_good_ones_are_kept(office: Place, row: str, said: str) -> None:
    code, out, _ = office.run("import", "--readings", write(office, f"home-1,31/03/2023,,12345,\n{row}\n"))
    assert code == 1
    assert said in out
    assert [one.index_wh for one in readings(office)] == [12_345_000]


def test_months_that_come_first_are_noticed_and_no_doubtful_date_is_taken(office: Place) -> None:
    rows = "home-1,03/04/2023,,12345,\nhome-1,06/30/2023,,13345,\n"
    code, out, _ = office.run("import", "--readings", write(office, rows))
    assert code == 2
    assert "may be the 3 April or the 4 March: row 3 shows that months come first here" in out
    assert "dates are read day/month/year, and 30 is no month" in out


def test_the_serial_alone_finds_the_meter(office: Place) -> None:
    code, out, _ = office.run("import", "--readings", write(office, "0718,30/06/2023,12345\n", "Serial,Date,kWh\n"))
    assert code == 0, out
    assert [(one.serial, one.index_wh) for one in readings(office)] == [("0718", 12_345_000)]


def test_a_register_in_megawatt_hours_is_brought_to_kilowatt_hours(office: Place) -> None:
    office.run("import", "--readings", write(office, "home-1,30/06/2023,12.345\n", "Site,Date,Reading (MWh)\n"))
    assert [one.index_wh for one in readings(office)] == [12_345_000]


def test_a_workbook_with_true_dates_is_read(office: Place) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Site", "Date", "Reading (kWh)"])
    book.active.append(["home-1", date(2023, 6, 30), 12345.6])
    book.save(office.folder / "readings.xlsx")
    code, out, _ = office.run("import", "--readings", office.folder / "readings.xlsx")
    assert code == 0, out
    assert [(one.at_ms, one.index_wh) for one in readings(office)] == [(parse_iso("2023-06-30T11:00:00Z"), 12_345_600)]


def test_a_column_for_each_date_is_a_reading_for_each_cell(office: Place) -> None:
    heading = "Quarterly readings,,,,\nAddress,31/03/2023,30/06/2023,2023-09-30,Notes\n"
    rows = "home-1,12345,13345,,\n6 Test Lane,100,,900,moved\n\nhome-1,n/a,,,\n"
    code, out, _ = office.run("import", "--readings", write(office, rows, heading))
    assert code == 1
    assert "heading in row 2; a column for each of 3 dates" in out
    assert 'row 6: Reading = "n/a": must be a number' in out
    assert [one.index_wh for one in readings(office)] == [12_345_000, 13_345_000]
    assert [one.at_ms for one in readings(office, "home-2")] == [
        parse_iso("2023-03-31T11:00Z"), parse_iso("2023-09-30T11:00Z"),
    ]  # fmt: skip


def test_a_row_with_two_dates_is_no_heading(office: Place) -> None:
    heading = "Site,Date,Billed,Reading\n"
    code, out, _ = office.run("import", "--readings", write(office, "home-1,31/03/2023,02/04/2023,12345\n", heading))
    assert code == 0, out
    assert "not read: Billed" in out
    assert [one.index_wh for one in readings(office)] == [12_345_000]


def test_dates_in_the_heading_with_the_month_first_are_noticed_as_well(office: Place) -> None:
    code, out, _ = office.run("import", "--readings", write(office, "home-1,1,2\n", "Site,04/03/2023,06/30/2023\n"))
    assert code == 2
    assert "months come first here" in out


def test_a_final_and_an_opening_reading_are_an_exchange_and_the_total_goes_on(office: Place) -> None:
    heading = "Site,Date,Reading,Meter serial,What\n"
    rows = (
        "home-1,31/03/2023,12000,0718,\n"
        "home-1,15/05/2023,12500,0718,final\n"
        "home-1,16/05/2023,3,2400,opening\n"
        "home-1,30/06/2023,603,2400,\n"
    )
    for expected in ("2 new, 0 there already", "0 new, 4 there already"):
        code, out, _ = office.run("import", "--readings", write(office, rows, heading))
        assert code == 0, out
        assert expected in out
    record = load_site((office.folder / "sites" / "home-1.toml").read_text(encoding="utf-8"), "home-1.toml", "home-1")
    said = events(office)
    assert [one.kind for one in said] == [EventKind.METER_EXCHANGE, EventKind.TYPED_READING, EventKind.TYPED_READING]
    totals = continuous(typed_readings(said, "meter-1"), life_of(record, said, "meter-1"))
    assert totals[-1].wh - totals[0].wh == pytest.approx(500_000 + 600_000)


def test_a_final_reading_alone_is_not_lost(office: Place) -> None:
    rows = "home-1,15/05/2023,12500,final\n"
    _, out, _ = office.run("import", "--readings", write(office, rows, "Site,Date,Reading,What\n"))
    assert "no opening reading of a new meter after this final one; taken as a reading" in out
    assert [one.index_wh for one in readings(office)] == [12_500_000]


def test_without_sites_there_is_nothing_to_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "watcher.toml").write_text(WATCHER, encoding="utf-8")
    (tmp_path / "sites").mkdir()
    place = Place(tmp_path, capsys)
    code, _, err = place.run("import", "--readings", write(place, "home-1,30/06/2023,,1,\n"))
    assert code == 2
    assert "import the sites first" in err
