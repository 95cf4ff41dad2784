"""The text of a TOML file: read, decoded, parsed, and where in it each key stands.

Rule: whatever is wrong with the text is said with its line, what stands there and how to put it right; nothing but
SetupError comes out. A value whose key sounds like a secret is never repeated.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from watcher.domain.errors import Problem, SetupError

LARGEST_FILE = 1_000_000
"""Bytes. A file beyond this was not typed by anyone; reading a device file by mistake must not fill the memory."""

_SECRET = re.compile(r"pass|secret|token|credential", re.IGNORECASE)
_POSITION = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")
_ENTRY = re.compile(r"\s*((?:[\w-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"|'[^']*'))*)\s*=\s*(.*)")
_KEY_PART = re.compile(r"[\w-]+|\"[^\"]*\"|'[^']*'")


def read_text(path: Path) -> str:
    """The text of a file. SetupError where it can't be read, is no ordinary file, or is not UTF-8."""
    place = str(path)
    try:
        if not path.is_file():
            missing = "no such file" if not path.exists() and not path.is_symlink() else "not an ordinary file"
            raise SetupError((Problem(place, "", "", missing),))
        if path.stat().st_size > LARGEST_FILE:
            raise SetupError((Problem(place, "", "", f"larger than {LARGEST_FILE} bytes, so no such file"),))
        raw = path.read_bytes()
    except OSError as error:
        raise SetupError((Problem(place, "", "", f"cannot be read: {error.strerror or error}"),)) from None
    return decoded(raw, place)


def decoded(raw: bytes, place: str) -> str:
    """UTF-8 text, a byte order mark left out. SetupError with the line of the first byte that is none."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at = raw.rfind(b"\n", 0, error.start) + 1
        shown = _shown(raw[at:].split(b"\n", 1)[0].decode("latin-1"))
        line = raw.count(b"\n", 0, error.start) + 1
        allowed = f"byte 0x{raw[error.start]:02x} is not UTF-8; save the file with the encoding UTF-8"
        raise SetupError((Problem(f"{place}:{line}", "", shown, allowed),)) from None


def parsed(text: str, place: str) -> dict[str, Any]:
    """The tables of a file. SetupError with the first thing that is no TOML, or for a file without anything in it."""
    try:
        tables = tomllib.loads(text)
    except RecursionError:
        raise SetupError((Problem(place, "", "", "brackets inside brackets, far too deep"),)) from None
    except ValueError as error:
        raise SetupError((_syntax_problem(text, place, str(error)),)) from None
    if not tables:
        raise SetupError((Problem(place, "", "", "the file is empty; nothing can be watched by it"),))
    return tables


def _syntax_problem(text: str, place: str, message: str) -> Problem:
    position = _POSITION.search(message)
    said = message[: position.start()] if position else message
    rows = text.splitlines() or [""]
    at_end = position is not None and position[1] is None
    number = int(position[1]) if position is not None and position[1] is not None else len(rows)
    row = rows[min(number, len(rows)) - 1]
    if at_end:
        hint = "the file ends in the middle of this; was it only half written?"
    else:
        hint = _hint(row, said)
    return Problem(f"{place}:{number}", "", _shown(row), hint)


_VALUE_HINTS = (
    (r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}(?![\d.:])", "a date is written year-month-day: 2026-02-01"),
    (
        r"[+-]?0\d",
        "a number does not begin with 0; where the zeros count, it is text: put it in quotes, {key} = {text}",
    ),
    (r"[+-]?\d+,\d", "decimals are written with a point: {key} = {point}"),
    (r"(#.*)?$", "a value is missing after the ="),
    ("[\u201c\u201d\u201e\u2018\u2019]", "these are printers' quotes; use straight ones"),
    (r"\"[^\"]*$", "the closing quote is missing"),
    (r"[^\[{\"'][^\"']*$", "a value is a number, a date, true or false, or text in quotes: {key} = {text}"),
)


def _hint(row: str, said: str) -> str:
    """What to do about a line that is no TOML, in words; the parser's own where nothing better is known."""
    entry = _ENTRY.match(row)
    if said.startswith(("Cannot overwrite", "Cannot declare", "Cannot mutate")):
        return "this stands twice; keep one"
    if entry is None:
        if "=" not in row and not row.lstrip().startswith("["):
            return "a key and its value are joined by =, as in tilt_deg = 35"
        return said[:1].lower() + said[1:]
    key, value = entry[1], entry[2].split("#")[0].strip()
    for pattern, hint in _VALUE_HINTS:
        if re.match(pattern, entry[2]):
            value = "..." if _SECRET.search(key) else value
            return _on_one_line(hint.format(key=key, text=f'"{value}"', point=value.replace(",", ".")))
    return said[:1].lower() + said[1:]


def _shown(row: str) -> str:
    """A line as a message may repeat it: short, on one line, without a secret."""
    row = _on_one_line(row).strip()
    if _SECRET.search(row):
        return row.split("=")[0].strip() + " = ..." if "=" in row else "..."
    return row if len(row) <= 60 else row[:57] + "..."


def _on_one_line(text: str) -> str:
    """Without what would move a terminal's cursor or turn its letters round."""
    return "".join(character if character.isprintable() else " " for character in text)


def lines_of_keys(text: str) -> dict[str, int]:
    """The line on which each table and key stands: {"array[0]": 4, "array[0].tilt_deg": 6}.

    A scan for messages, not a parser: a key inside a one-line table is found at the line of that table.
    """
    found: dict[str, int] = {}
    counts: dict[str, int] = {}
    prefix, inside_text = "", ""
    for number, row in enumerate(text.splitlines(), start=1):
        if inside_text:
            if inside_text in row:
                inside_text = ""
            continue
        if header := _HEADER.match(row):
            prefix = _path(header[2], counts, starts_another=header[1] == "[[")
            found.setdefault(prefix, number)
        elif entry := _ENTRY.match(row):
            key = ".".join(part.strip("\"'") for part in _KEY_PART.findall(entry[1]))
            found.setdefault(f"{prefix}.{key}" if prefix else key, number)
            inside_text = next((mark for mark in ('"""', "'''") if entry[2].count(mark) % 2), "")
    return found


def _path(header: str, counts: dict[str, int], starts_another: bool) -> str:
    """Where a header leads: each list of tables on the way is meant by its newest entry."""
    path = ""
    parts = [part.strip("\"'") for part in _KEY_PART.findall(header)]
    for place, part in enumerate(parts):
        path = f"{path}.{part}" if path else part
        if starts_another and place == len(parts) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = f"{path}[{counts[path]}]"
    return path
