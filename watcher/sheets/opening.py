"""Opens a spreadsheet: CSV in whatever encoding and with whatever delimiter, or XLSX.

Rule: a file that is none is said so in words. Nothing in a workbook is run: of a formula its last value is read.
"""

from __future__ import annotations

import csv
import io
import struct
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from watcher.domain.errors import Problem, SetupError
from watcher.sheets.sheet import Row, Sheet

MOST_ROWS, MOST_COLUMNS = 200_000, 200
MOST_BYTES, MOST_UNPACKED = 64 * 1024 * 1024, 512 * 1024 * 1024
_DELIMITERS = ",;\t|"
_DAMAGED = (
    *(zipfile.BadZipFile, zlib.error, struct.error, SyntaxError, LookupError, ValueError, TypeError, AttributeError),
    *(ArithmeticError, OSError, EOFError, RuntimeError, AssertionError),
)
"""A damaged workbook fails in whatever part of it is read first, each in its own way."""


def open_sheet(path: Path) -> Sheet:
    """The rows of a file. SetupError where it cannot be read as a spreadsheet."""
    try:
        content = path.read_bytes() if path.stat().st_size <= MOST_BYTES else None
    except OSError as error:
        raise _refused(path, f"cannot be read: {error.strerror or error}") from None
    if content is None:
        raise _refused(path, f"is longer than {MOST_BYTES // 1024**2} MB; no list of sites or readings is")
    if content.startswith(b"PK\x03\x04"):
        return _workbook(path, content)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise _refused(path, "is a workbook of the old kind (.xls); save it as .xlsx or .csv")
    return Sheet(path.name, tuple(_text_rows(path, _decoded(path, content))))


def _decoded(path: Path, content: bytes) -> str:
    encodings = ("utf-16",) if content[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    raise _refused(path, "is neither a text table nor a workbook; save it as .csv or .xlsx")


def _text_rows(path: Path, text: str) -> Iterator[Row]:
    start = "".join(islice(io.StringIO(text), 30))
    delimiter = max(_DELIMITERS, key=lambda one: (start.count(one), -_DELIMITERS.index(one)))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        for number, cells in enumerate(reader, 1):
            if number > MOST_ROWS:
                raise _refused(path, f"has more than {MOST_ROWS} rows")
            yield Row(number, tuple(cells[:MOST_COLUMNS]))
    except csv.Error as error:
        raise _refused(path, f"cannot be taken apart at line {reader.line_num}: {error}") from None


def _workbook(path: Path, content: bytes) -> Sheet:
    try:
        import openpyxl
    except ImportError:
        needs = 'is a workbook, which needs the extra "sheets" (pip install pv-watcher[sheets]); or save it as .csv'
        raise _refused(path, needs) from None
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            if sum(part.file_size for part in archive.infolist()) > MOST_UNPACKED:
                raise _refused(path, "is longer unpacked than any list of sites or readings")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what a workbook has besides cells
            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            try:
                shown = [page for page in book.worksheets if page.sheet_state == "visible"]
                for page in shown:
                    page.reset_dimensions()  # what a file says of its own size is often wrong
                    rows = tuple(_cells(path, page.iter_rows(values_only=True, max_col=MOST_COLUMNS)))
                    if any(not row.blank() for row in rows):
                        others = [other.title for other in shown if other is not page]
                        note = f"page {page.title!r} is read, not {', '.join(map(repr, others))}" if others else ""
                        return Sheet(path.name, rows, note)
            finally:
                book.close()
    except SetupError:
        raise
    except _DAMAGED as error:
        raise _refused(path, f"is a damaged workbook, or none: {error}") from None
    raise _refused(path, "has no visible page with anything on it")


def _cells(path: Path, rows: Iterator[tuple[Any, ...]]) -> Iterator[Row]:
    for number, cells in enumerate(rows, 1):
        if number > MOST_ROWS:
            raise _refused(path, f"has more than {MOST_ROWS} rows")
        yield Row(number, tuple(cells))


def _refused(path: Path, why: str) -> SetupError:
    return SetupError((Problem(str(path), "", "", why),))
