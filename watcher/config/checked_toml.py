"""Tables of a file against what they may hold, declared key by key.

Rule: every problem is collected with place, value and what is allowed; nothing is guessed, converted or passed over.
A key nobody declared is a problem too, with the nearest name that was declared.
"""

from __future__ import annotations

import datetime
import difflib
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from watcher.config.toml_text import lines_of_keys, parsed
from watcher.domain.errors import Problem, SetupError

LONGEST_TEXT = 200


class RefusedValueError(ValueError):
    """A value that is not allowed, with a better word on why than the key's usual one."""


Keys = Mapping[str, "Key"]


@dataclass(frozen=True, slots=True)
class Key:
    """What one key may hold.

    take: the value as the program has it; ValueError or RefusedValueError where it is not allowed
    allowed: what is, as a short sentence without a full stop
    inside: declarations of a table instead; each: of every entry of a list of tables, chosen by the entry itself
    hint: said in place of "unknown key" for a key that is known to be wrong
    """

    take: Callable[[Any], Any] = lambda value: value
    allowed: str = ""
    required: bool = False
    inside: Keys | None = None
    each: Callable[[Mapping[str, Any]], Keys] | None = None
    hint: str = ""


def needed(key: Key) -> Key:
    """The same key, which may not be left out."""
    return replace(key, required=True)


def table_of(keys: Keys) -> Key:
    return Key(inside=keys, allowed="must be a table")


def list_of(keys: Keys) -> Key:
    return Key(each=lambda _: keys, allowed="must be a list of tables, each under its own [[...]]")


def never(hint: str) -> Key:
    """A key that people try and that is always wrong."""
    return Key(hint=hint)


def number(low: float, high: float, note: str = "") -> Key:
    """A finite number from low to high, whole or not, kept as float."""
    allowed = f"must be {low:.12g} to {high:.12g}" + (f" ({note})" if note else "")

    def take(value: Any) -> float:
        if isinstance(value, str):
            raise RefusedValueError(allowed.replace("must be", "must be a number without quotes,", 1))
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise ValueError
        return float(value)

    return Key(take, allowed)


def whole(low: int, high: int, note: str = "") -> Key:
    allowed = f"must be a whole number, {low} to {high}" + (f" ({note})" if note else "")

    def take(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError
        return value

    return Key(take, allowed)


def text(shape: str = r"[^\x00-\x1f\x7f]*", allowed: str = "must be one line of text in quotes", name: str = "") -> Key:
    """One line of text of a given shape. A number is refused, for its leading zeros would be gone: quote it."""
    pattern = re.compile(shape)
    unquoted = f"{name or 'this'} is text: put it in quotes, leading zeros count"

    def take(value: Any) -> str:
        if isinstance(value, int | float) and not isinstance(value, bool):
            raise RefusedValueError(unquoted)
        if not isinstance(value, str) or len(value) > LONGEST_TEXT or pattern.fullmatch(value) is None:
            raise ValueError
        return value

    return Key(take, allowed)


def texts(shape: str, allowed: str) -> Key:
    """A list of texts, kept as a tuple."""
    pattern = re.compile(shape)

    def take(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or not all(isinstance(one, str) and pattern.fullmatch(one) for one in value):
            raise ValueError
        return tuple(value)

    return Key(take, allowed)


def yes_or_no() -> Key:
    def take(value: Any) -> bool:
        if not isinstance(value, bool):
            raise ValueError
        return value

    return Key(take, "must be true or false, without quotes")


def one_of(choices: type[StrEnum] | Collection[str]) -> Key:
    """One of a few words; of an enum, its member."""
    words = [str(choice) for choice in choices]

    def take(value: Any) -> Any:
        if not isinstance(value, str) or value not in words:
            raise ValueError
        return choices(value) if isinstance(choices, type) else value

    return Key(take, "must be one of " + ", ".join(f'"{word}"' for word in words))


def some_of(choices: type[StrEnum]) -> Key:
    """A list of a few words, kept as a tuple of members."""

    def take(value: Any) -> tuple[StrEnum, ...]:
        if not isinstance(value, list):
            raise ValueError
        return tuple(choices(one) for one in value)

    return Key(take, "must be a list of " + ", ".join(f'"{choice}"' for choice in choices))


def day(first: datetime.date = datetime.date(1980, 1, 1), last: datetime.date = datetime.date(2199, 12, 31)) -> Key:
    """A date without a time of day."""

    def take(value: Any) -> datetime.date:
        if not isinstance(value, datetime.date) or isinstance(value, datetime.datetime):
            raise ValueError
        if not first <= value <= last:
            raise ValueError
        return value

    return Key(take, "must be a date without quotes and without a time, such as 2024-05-31")


def iso_day() -> Key:
    """A date, kept as ISO text."""
    key = day()
    return replace(key, take=lambda value: str(key.take(value)))


def shown(value: Any) -> str:
    """A value the way it stands in the file, shortened."""
    if isinstance(value, str):
        as_written = '"' + "".join(one if one.isprintable() else "?" for one in value) + '"'
    elif isinstance(value, bool):
        as_written = str(value).lower()
    elif isinstance(value, datetime.date | datetime.time):
        as_written = value.isoformat()
    elif isinstance(value, dict):
        as_written = "a table"
    elif isinstance(value, list):
        as_written = "[" + ", ".join(shown(one) for one in value[:10]) + ("]" if len(value) <= 10 else ", ...]")
    elif isinstance(value, int) and abs(value) > 10**30:
        as_written = "a number of more than 30 digits"
    else:
        as_written = repr(value)
    return as_written if len(as_written) <= 60 else as_written[:57] + "..."


def nearest(name: str, known: Collection[str]) -> str:
    """The known name that was probably meant, or ""."""
    near = difflib.get_close_matches(name.lower(), list(known), n=1, cutoff=0.6)
    # A unit left out ("tilt" for "tilt_deg") is the commonest slip and too far off for a ratio of letters.
    near = near or [one for one in known if one.startswith(name.lower() + "_")][:1]
    return near[0] if near else ""


def suggestion(name: str, known: Collection[str]) -> str:
    """What follows "unknown": the name that was probably meant, or all there are."""
    if near := nearest(name, known):
        return f", did you mean {near}?"
    return f"; known here: {', '.join(known)}" if known else ""


@dataclass(slots=True)
class Page:
    """A file while it is checked: where its keys stand and what is wrong with it so far.

    meant: keys that were probably meant by misspelt ones
    """

    place: str
    lines: Mapping[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    meant: set[str] = field(default_factory=set)

    @classmethod
    def opened(cls, content: str, place: str) -> tuple[Page, dict[str, Any]]:
        """The page and its tables, unchecked. SetupError where the text is no TOML."""
        return cls(place, lines_of_keys(content)), parsed(content, place)

    def wrong(self, key: str, allowed: str, found: str = "") -> None:
        if not found and (key in self.meant or any(problem.key == key for problem in self.problems)):
            return  # what is misspelt or refused is not missing as well
        self.problems.append(self.problem(key, allowed, found))

    def problem(self, key: str, allowed: str, found: str = "") -> Problem:
        """A problem at a key of this file, with its line."""
        line = self._line_of(key)
        return Problem(self.place if line is None else f"{self.place}:{line}", key, found, allowed)

    def refuse(self) -> None:
        """SetupError with all that is wrong, in the file's order; nothing where all is well."""
        if self.problems:
            raise SetupError(tuple(sorted(self.problems, key=lambda problem: self._line_of(problem.key) or 0)))

    def table(self, value: Mapping[str, Any], keys: Keys, path: str = "") -> dict[str, Any]:
        """What of a table is as declared, key by key. The rest is in `problems`."""
        taken: dict[str, Any] = {}
        for name, raw in value.items():
            here = f"{path}.{name}" if path else name
            key = keys.get(name)
            if key is None or key.hint:
                known = [one for one, other in keys.items() if not other.hint]
                if near := nearest(name, known):
                    self.meant.add(f"{path}.{near}" if path else near)
                self.wrong(here, key.hint if key else "unknown key" + suggestion(name, known))
            elif key.inside is not None and isinstance(raw, dict):
                taken[name] = self.table(raw, key.inside, here)
            elif key.each is not None and isinstance(raw, list) and all(isinstance(one, dict) for one in raw):
                taken[name] = [self.table(one, key.each(one), f"{here}[{at}]") for at, one in enumerate(raw)]
            elif key.inside is not None or key.each is not None:
                self.wrong(here, key.allowed, shown(raw))
            else:
                self._take(taken, name, raw, key, here)
        for name, key in keys.items():
            if key.required and (name not in value or value[name] == []):
                self.wrong(f"{path}.{name}" if path else name, "missing; " + key.allowed)
        return taken

    def _take(self, taken: dict[str, Any], name: str, raw: Any, key: Key, here: str) -> None:
        try:
            taken[name] = key.take(raw)
        except RefusedValueError as refused:
            self.wrong(here, str(refused), shown(raw))
        except ValueError:
            self.wrong(here, key.allowed, shown(raw))

    def _line_of(self, key: str) -> int | None:
        """The line of a key, or of the nearest table around it."""
        while key:
            if key in self.lines:
                return self.lines[key]
            key = key.rpartition(".")[0] if "." in key else key.partition("[")[0] if "[" in key else ""
        return None
