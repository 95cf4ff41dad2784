"""Files as offices have them: CSV of every habit, workbooks, and what only looks like one."""

from __future__ import annotations

import zipfile
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from watcher.domain.errors import SetupError
from watcher.sheets.opening import open_sheet

INSTALLED = datetime(2012, 2, 28, tzinfo=UTC).replace(tzinfo=None)  # a workbook knows no zones


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        pytest.param("Name,Slope\r\nÉcole,35°\r\n", "utf-8", id="plain"),
        pytest.param("Name,Slope\nÉcole,35°\n", "utf-8-sig", id="with a mark in front"),
        pytest.param("Name;Slope\nÉcole;35°\n", "cp1252", id="semicolons from an old office"),
        pytest.param("Name\tSlope\nÉcole\t35°\n", "utf-16", id="unicode text with tabs"),
        pytest.param('"Name","Slope"\n"École","35°"\n', "utf-8", id="quoted"),
    ],
)
def test_a_text_table_is_read_whatever_its_encoding_and_delimiter(tmp_path: Path, content: str, encoding: str) -> None:
    file = tmp_path / "a.csv"
    file.write_bytes(content.encode(encoding))
    assert [row.cells for row in open_sheet(file).rows] == [("Name", "Slope"), ("École", "35°")]


def workbook(path: Path) -> Path:
    book = openpyxl.Workbook()
    book.active.title = "Cover"
    book.active.sheet_state = "hidden"
    book.active["A1"] = "hidden"
    page = book.create_sheet("Sites")
    page.merge_cells("A1:C1")
    page["A1"] = "Our customers"
    page.append(["Name", "Installed", "Slope"])
    page.append(["A", INSTALLED, 35])
    page.append([None, None, "=1+1"])
    book.create_sheet("Other").append(["x"])
    book.save(path)
    return path


def test_of_a_workbook_the_first_visible_page_is_read_and_the_others_are_named(tmp_path: Path) -> None:
    found = open_sheet(workbook(tmp_path / "a.xlsx"))
    assert [row.cells[:3] for row in found.rows] == [
        ("Our customers", None, None),
        ("Name", "Installed", "Slope"),
        ("A", INSTALLED, 35),
        (None, None, None),  # a formula that was never worked out has no value
    ]
    assert found.note == "page 'Sites' is read, not 'Other'"


@pytest.mark.parametrize(
    ("content", "why"),
    [
        pytest.param(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "old kind", id="old workbook"),
        pytest.param(b"\x00\x01\x02\x03\x00", "neither a text table", id="bytes"),
        pytest.param(b"PK\x03\x04 nothing else", "damaged workbook", id="cut archive"),
        pytest.param(b'a,"b\n', "", id="an open quotation mark is one cell"),
    ],
)
def test_what_is_no_spreadsheet_is_said_so(tmp_path: Path, content: bytes, why: str) -> None:
    file = tmp_path / "a.xlsx"
    file.write_bytes(content)
    if why:
        with pytest.raises(SetupError, match=why):
            open_sheet(file)
    else:
        assert len(open_sheet(file).rows) == 1


def test_a_file_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="cannot be read"):
        open_sheet(tmp_path / "none.csv")


def test_an_archive_of_something_else_is_no_workbook(tmp_path: Path) -> None:
    file = tmp_path / "a.xlsx"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("letter.txt", "dear sir")
    with pytest.raises(SetupError, match="damaged workbook"):
        open_sheet(file)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(0, 5000), byte=st.integers(0, 255), cut=st.booleans())
def test_a_workbook_with_a_byte_changed_is_read_or_refused(tmp_path: Path, at: int, byte: int, cut: bool) -> None:
    content = bytearray(workbook(tmp_path / "whole.xlsx").read_bytes())
    content[at % len(content)] = byte
    file = tmp_path / "harmed.xlsx"
    file.write_bytes(bytes(content[: at % len(content)] if cut else content))
    with suppress(SetupError):
        open_sheet(file)
