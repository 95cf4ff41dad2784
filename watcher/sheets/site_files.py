"""Drafted sites into the folder of site files.

Rule: a file that a person wrote or changed is never touched; it is said in what the sheet differs from it. A file is
written beside its place, synced and renamed, so that a watcher that runs never reads half of one.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from watcher.config.toml_text import read_text
from watcher.domain.errors import SetupError, WatcherError
from watcher.sheets.site_text import differences, untouched


class Fate(StrEnum):
    """What becomes of a site's file."""

    NEW = "new"
    SAME = "same"
    CHANGED = "changed"
    THEIRS = "left alone"  # a person wrote or changed it, and the sheet says something else


@dataclass(frozen=True, slots=True)
class Planned:
    """path: of the file. differences: between the file and the sheet, key by key"""

    id: str
    fate: Fate
    path: Path
    text: str
    differences: tuple[str, ...] = ()


def plan_files(folder: Path, texts: Iterable[tuple[str, str]]) -> list[Planned]:
    """What is to be done for each site. texts: id and text of its file."""
    # Of two files of one id the program takes the one nearest the top, then the first by name.
    nearest_last = sorted(folder.rglob("*.toml"), key=lambda path: (len(path.parts), str(path)), reverse=True)
    there = {path.stem: path for path in nearest_last if path.is_file()}
    planned = []
    for id, text in texts:
        path = there.get(id)
        if path is None:
            planned.append(Planned(id, Fate.NEW, folder / f"{id}.toml", text))
            continue
        try:
            before = read_text(path)
        except SetupError:
            planned.append(Planned(id, Fate.THEIRS, path, text, ("the file cannot be read",)))
            continue
        told = tuple(differences(before, text))
        fate = Fate.SAME if not told else Fate.CHANGED if untouched(before) else Fate.THEIRS
        planned.append(Planned(id, fate, path, text, told))
    return planned


def write_files(folder: Path, planned: Iterable[Planned]) -> None:
    """Write what is new or changed. WatcherError where a file cannot be written; those before it stay."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for one in planned:
            if one.fate in (Fate.NEW, Fate.CHANGED):
                _write(one.path, one.text)
        _sync(folder)
    except OSError as error:
        raise WatcherError(f"{folder}: a site file cannot be written: {error}") from None


def _write(path: Path, text: str) -> None:
    beside = path.with_name(f".{path.name}.new")  # hidden, so that nobody takes it for a site
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
        raise


def _sync(folder: Path) -> None:
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
