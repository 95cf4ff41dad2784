"""Who may log in: names, roles, sites, and passwords as nobody can read them.

Rule: a password is kept as an Argon2id hash and nowhere else. The file is for its owner alone; one that others may
change is not believed. It is written whole or not at all.
"""

from __future__ import annotations

import os
import re
import stat
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from watcher.config.checked_toml import Keys, Page, list_of, needed, one_of, text, texts
from watcher.config.toml_text import read_text
from watcher.domain.errors import Problem, SetupError
from watcher.domain.quantity import NAME
from watcher.domain.site import Role

SHORTEST = 10
"""Letters of a password at least; longer is better than odder (NIST SP 800-63B, from memory)."""

LONGEST = 200

NAME_SHAPE = r"[a-z0-9][a-z0-9._@-]{0,63}"
ALL_SITES = frozenset({Role.INSTALLER, Role.OPERATOR})

PEOPLE_FILE: Keys = {
    "person": list_of(
        {
            "name": needed(text(NAME_SHAPE, "must be lower case letters, digits and . _ @ -")),
            "role": needed(one_of(Role)),
            "sites": texts(NAME.pattern, "must be a list of ids of sites"),
            "password": needed(text(r"\$argon2id\$[\x21-\x7e]+", "must be a hash made by `watcher people`")),
        }
    )
}

# 7 MiB, five passes, one lane: of OWASP's equal choices (from memory) the one that a small machine does not feel.
_HASHER = PasswordHasher(time_cost=5, memory_cost=7 * 1024, parallelism=1)
_ONE_AT_A_TIME = threading.Lock()
_NOBODY = _HASHER.hash("a person who is not there takes as long to refuse as one who is")


@dataclass(frozen=True, slots=True)
class Person:
    """sites: those the person may see; an installer or operator without any named sees all"""

    name: str
    role: Role
    sites: tuple[str, ...]
    password: str


def is_name(text: str) -> bool:
    return re.fullmatch(NAME_SHAPE, text) is not None


def hashed(password: str) -> str:
    """What is kept of a password. ValueError for one that is too short or too long."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise ValueError(f"a password has {SHORTEST} to {LONGEST} letters")
    with _ONE_AT_A_TIME:
        return _HASHER.hash(password)


def proves(person: Person | None, password: str) -> bool:
    """Whether this is the person's password. As slow for nobody, so that names cannot be tried out."""
    with _ONE_AT_A_TIME:
        try:
            right = _HASHER.verify(_NOBODY if person is None else person.password, password[: LONGEST + 1])
        except (Argon2Error, InvalidHashError):
            return False
    return right and person is not None


class People:
    """The file, read anew whenever it has changed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._read: tuple[int, int] | None = None
        self._people: Mapping[str, Person] = {}

    def all(self) -> Mapping[str, Person]:
        """By name; nobody where there is no file. SetupError where it cannot be used."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return {}
        if (found.st_mtime_ns, found.st_size) != self._read:
            self._people = _loaded(self.path, found.st_mode)
            self._read = (found.st_mtime_ns, found.st_size)
        return self._people

    def warning(self) -> str:
        """What is not as it should be with the file, "" where it is."""
        if self.path.exists() and self.path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            return f"others on this machine may read {self.path}; chmod 600 {self.path}"
        return ""

    def put(self, person: Person) -> None:
        """Add a person, or change the one of that name."""
        self._write([*(one for one in self.all().values() if one.name != person.name), person])

    def remove(self, name: str) -> bool:
        """Whether there was one of that name."""
        there = self.all()
        self._write([one for one in there.values() if one.name != name])
        return name in there

    def _write(self, people: Sequence[Person]) -> None:
        rows = []
        for one in sorted(people, key=lambda one: one.name):
            sites = ", ".join(f'"{site}"' for site in one.sites)
            rows.append(
                f'[[person]]\nname = "{one.name}"\nrole = "{one.role}"\n'
                f'sites = [{sites}]\npassword = "{one.password}"\n'
            )
        header = "# Who may see the pages; written by `watcher people`. For its owner alone: chmod 600.\n\n"
        put_private(self.path, header + "\n".join(rows))


def _loaded(path: Path, mode: int) -> Mapping[str, Person]:
    if mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise SetupError((Problem(str(path), "", "", f"others on this machine may change it; chmod 600 {path}"),))
    page, tables = Page.opened(read_text(path), str(path))
    content = page.table(tables, PEOPLE_FILE)
    page.refuse()
    people = [Person(**{"sites": (), **one}) for one in content.get("person", [])]
    return {person.name: person for person in people}


def put_private(path: Path, content: str) -> None:
    """Write a file that only its owner may read, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    fresh = path.with_name(path.name + ".new")
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        os.fchmod(handle, 0o600)
        file.write(content)
        file.flush()
        os.fsync(handle)
    fresh.replace(path)
