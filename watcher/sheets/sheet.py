"""A sheet: rows of cells with their numbers, whatever file they came from. Pure.

Rule: nothing is taken silently. What was not understood is a problem with its row and column, what was understood only
by assuming something is a caution.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time

from watcher.config.checked_toml import shown
from watcher.domain.errors import Problem

Cell = str | int | float | bool | datetime | date | time | None


@dataclass(frozen=True, slots=True)
class Row:
    """number: as the spreadsheet shows it, the first is 1"""

    number: int
    cells: tuple[Cell, ...]

    def cell(self, at: int) -> Cell:
        """The cell of a column; None where it is empty, blank or not there."""
        value = self.cells[at] if at < len(self.cells) else None
        return None if isinstance(value, str) and not value.strip() else value

    def blank(self) -> bool:
        return all(self.cell(at) is None for at in range(len(self.cells)))


@dataclass(frozen=True, slots=True)
class Sheet:
    """place: the file's name, for messages. note: what to say of how it was read, "" for nothing"""

    place: str
    rows: tuple[Row, ...]
    note: str = ""


@dataclass(slots=True)
class Remarks:
    """What there is to say about a sheet. cautions: what was assumed, each said once"""

    place: str
    problems: list[Problem] = field(default_factory=list)
    cautions: dict[str, list[int]] = field(default_factory=dict)

    def wrong(self, row: int, column: str, value: Cell, allowed: str) -> None:
        found = "" if value is None else shown(value)
        self.problems.append(Problem(f"{self.place}:{row}", column, found, allowed))

    def caution(self, text: str, row: int) -> None:
        rows = self.cautions.setdefault(text, [])
        if row not in rows:
            rows.append(row)

    def bad_rows(self) -> set[int]:
        return {int(problem.place.rpartition(":")[2]) for problem in self.problems}

    def told(self) -> list[str]:
        """Every problem and caution as a line, in the order of rows."""
        lines = []
        for problem in sorted(self.problems, key=lambda one: int(one.place.rpartition(":")[2])):
            row = problem.place.rpartition(":")[2]
            lines.append(f"row {row}: " + str(problem).removeprefix(f"{problem.place}: "))
        for text, rows in self.cautions.items():
            lines.append(f"note: {text} ({_rows(rows)})")
        return lines


def _rows(rows: list[int]) -> str:
    if len(rows) == 1:
        return f"row {rows[0]}"
    listed = ", ".join(map(str, rows[:8]))
    return f"rows {listed}" + (f" and {len(rows) - 8} more" if len(rows) > 8 else "")
