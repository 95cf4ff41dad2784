"""The folder of site files, sub-folders included.

Rule: one bad file costs one site and is named; the others go on. A site's id is used once: where two files carry
it, or two names lead to one file, the one nearest the top (then first by name) is taken and the other is a problem.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from watcher.config import pulse_lines, serial_lines
from watcher.config.map_file import MapsFound
from watcher.config.site_file import load_site
from watcher.config.toml_text import read_text
from watcher.config.topic_map_file import TopicMapsFound
from watcher.domain.errors import Problem, SetupError
from watcher.domain.site import SiteRecord


@dataclass(frozen=True, slots=True)
class SitesFound:
    """What a folder of site files came to.

    good: records by site id. texts: the text each was read from. files: how many site files there are, good or bad
    """

    good: Mapping[str, SiteRecord]
    texts: Mapping[str, str]
    problems: tuple[Problem, ...]
    files: int = 0


def load_sites(folder: Path, maps: MapsFound | None = None, topics: TopicMapsFound | None = None) -> SitesFound:
    """Every site of a folder. Never raises: what can't be read is among the problems. maps, topics: as in load_site."""
    good: dict[str, SiteRecord] = {}
    texts: dict[str, str] = {}
    problems: list[Problem] = []
    if not os.path.isdir(folder):
        return SitesFound({}, {}, (Problem(str(folder), "", "", "no such folder, so there are no sites"),))
    # A link stands behind what it leads to, whatever it is called.
    files = sorted(_site_files(folder, problems), key=lambda path: (path.is_symlink(), len(path.parts), str(path)))
    taken: dict[str, Path] = {}
    real: dict[str, Path] = {}
    for path in files:
        if twice := _twice(path, taken, real):
            problems.append(Problem(str(path), "", "", twice))
            continue
        try:
            text = read_text(path)
            good[path.stem] = load_site(text, str(path), path.stem, maps, topics)
            texts[path.stem] = text
        except SetupError as error:
            problems += error.problems
    places = {id: str(path) for id, path in taken.items()}
    for problem in chain(serial_lines.between_sites(good, places), pulse_lines.between_sites(good, places)):
        problems.append(problem)
        id = Path(problem.place).stem
        del good[id], texts[id]
    if not files and not problems:
        problems.append(Problem(str(folder), "", "", "no site file (NAME.toml) in here"))
    return SitesFound(good, texts, tuple(problems), len(files))


def _twice(path: Path, taken: dict[str, Path], real: dict[str, Path]) -> str:
    """Why a file is a second one of a site, or "". Notes the file otherwise."""
    target = os.path.realpath(path)
    if target in real:
        return f"the same file as {real[target]} by a link, so this site is there twice; remove the link"
    if path.stem in taken:
        return f"site id {path.stem} is used twice; {taken[path.stem]} is the one in use, rename or remove this one"
    real[target] = taken[path.stem] = path
    return ""


def _site_files(folder: Path, problems: list[Problem]) -> Iterator[Path]:
    """Files that end in .toml, hidden ones left out; linked folders are entered, each once."""
    entered: set[str] = set()

    def unreadable(error: OSError) -> None:
        problems.append(Problem(str(error.filename), "", "", f"cannot be read: {error.strerror}"))

    for here, folders, names in os.walk(folder, followlinks=True, onerror=unreadable):
        if (target := os.path.realpath(here)) in entered:
            folders.clear()
            continue
        entered.add(target)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if name.endswith(".toml") and not name.startswith("."):
                yield Path(here) / name
