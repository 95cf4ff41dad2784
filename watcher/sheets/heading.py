"""Which row of a sheet is its heading, and which column holds what. Pure.

Rule: a name is matched whole, without its unit, capitals and signs; failing that by a letter or two. Every column is
accounted for: taken, passed over, or the reason why the sheet cannot be read.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from watcher.domain.errors import Problem, SetupError
from watcher.sheets.sheet import Row, Sheet
from watcher.sheets.values import cleaned
from watcher.sheets.words import NEEDED, UNITS, Field

ABOVE = 20
"""How many rows of titles may stand above a heading."""
_ALIKE = 0.85  # one letter wrong in seven; less alike are "inverter make" and "meter make"
_SHORTEST = 4
_LONGEST_UNIT = 5
_SIGNS = re.compile(r"[^a-z0-9£°/]+")
_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")


class Column(NamedTuple):
    """at: place in a row, from 0. title: as it stands there. unit: in its heading, "" for none. guessed: by likeness"""

    at: int
    title: str
    unit: str
    guessed: bool


@dataclass(frozen=True, slots=True)
class Heading:
    """columns: by the name of their field. ignored: titles of the others. rows: below it, blank ones left out"""

    row: int
    columns: Mapping[str, Column]
    ignored: tuple[str, ...]
    rows: tuple[Row, ...]

    def title(self, name: str) -> str:
        """What a field's column is called in this sheet."""
        return self.columns[name].title if name in self.columns else name.replace("_", " ")


class _Match(NamedTuple):
    field: Field
    rank: int
    unit: str
    guessed: bool


def find_heading(sheet: Sheet, fields: Sequence[Field], kind: str) -> Heading:
    """The heading: of the first rows the one with most of the names.

    kind: "sites" or "readings". SetupError where a needed column is missing or stands twice.
    """
    there = [row for row in sheet.rows if not row.blank()]
    best: tuple[int, Row] | None = None
    for row in there[:ABOVE]:
        count = len({match.field.name for _, match in _matches(row, fields) if not match.guessed})
        if best is None or count > best[0]:
            best = (count, row)
    if best is None:
        raise SetupError((Problem(sheet.place, "", "", "the sheet is empty"),))
    head = best[1]
    found: dict[str, tuple[Column, int]] = {}
    twice: list[Problem] = []
    for column, match in _matches(head, fields):
        before = found.get(match.field.name)
        rank = match.rank + 1000 * match.guessed
        if before is not None and before[1] == rank:
            both = f"stands twice, as {before[0].title!r} and {column.title!r}; rename the one that is not meant"
            twice.append(Problem(f"{sheet.place}:{head.number}", match.field.names[0], "", both))
        if before is None or rank < before[1]:
            found[match.field.name] = (column, rank)
    columns = {name: column for name, (column, _) in found.items()}
    missing = [one for one in fields if one.name in NEEDED[kind] and one.name not in columns]
    names = "no such column; it may be called {names}; config/sheets/columns.md has all names"
    for one in missing:
        told = names.format(names=", ".join(one.names[:4]))
        twice.append(Problem(f"{sheet.place}:{head.number}", one.names[0], "", told))
    if twice:
        raise SetupError(tuple(twice))
    taken = {column.at for column in columns.values()}
    ignored = tuple(
        cleaned(str(head.cell(at))) for at in range(len(head.cells)) if head.cell(at) is not None and at not in taken
    )
    below = tuple(row for row in there if row.number > head.number)
    return Heading(head.number, columns, ignored, below)


def _matches(row: Row, fields: Sequence[Field]) -> Iterator[tuple[Column, _Match]]:
    for at in range(len(row.cells)):
        cell = row.cell(at)
        if isinstance(cell, str) and len(cell) <= 80 and (match := _match(cell, fields)) is not None:
            yield Column(at, cleaned(cell), match.unit, match.guessed), match


def _match(title: str, fields: Sequence[Field]) -> _Match | None:
    readings = list(_readings_of(title))
    for name, unit in readings:
        for one in fields:
            if name in one.names and _may_be(one, unit):
                return _Match(one, one.names.index(name), unit if unit in one.units else "", False)
    for name, unit in readings:
        by_name = {known: one for one in fields for known in one.names if _may_be(one, unit)}
        near = difflib.get_close_matches(name, by_name, n=1, cutoff=_ALIKE) if len(name) >= _SHORTEST else []
        if near:
            one = by_name[near[0]]
            return _Match(one, one.names.index(near[0]), unit if unit in one.units else "", True)
    return None


def _may_be(one: Field, aside: str) -> bool:
    """Whether what stands beside a name can stand there: its unit, or words. Power in "m2" or "kWh" is no power."""
    return not aside or aside in one.units or (aside not in UNITS and (not one.units or len(aside) > _LONGEST_UNIT))


def _readings_of(title: str) -> Iterator[tuple[str, str]]:
    """A title as (name, what stands beside it) in the ways it can be read, the likeliest first."""
    text = cleaned(title).lower().rstrip(":*? ")
    inside = _BRACKETS.search(text)
    if inside is not None:
        yield _named(_BRACKETS.sub(" ", text)), cleaned(inside[1]).removeprefix("in ").strip(". ")
        return
    before, _, last = text.rpartition(" ")
    if last in UNITS:
        yield _named(text), last
        yield _named(before).removesuffix(" in"), last
    else:
        yield _named(text), ""


def _named(text: str) -> str:
    return _SIGNS.sub(" ", text.replace("e-mail", "email").replace("°", " ")).strip()
