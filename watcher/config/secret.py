"""Passwords: where they come from and how they stay out of sight.

Rule: a secret comes from a file of its own or from the environment, never from the configuration, and prints as
<secret>; only `reveal` gives it out.
"""

from __future__ import annotations

import stat
from collections.abc import Mapping
from pathlib import Path
from typing import NoReturn

from watcher.config.toml_text import read_text
from watcher.domain.errors import SetupError

_OTHERS_READ = stat.S_IRGRP | stat.S_IROTH
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


class Secret:
    """A text that does not show itself: not in a log, a message, a trace or a copy on disk."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        return self._text

    def __repr__(self) -> str:
        return "<secret>"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a secret is not written down")


class UnusableError(Exception):
    """Why a secret can't be used, in words that don't repeat it."""


def from_file(path: Path) -> tuple[Secret, str]:
    """The secret in a file and a warning about the file, or "". UnusableError where there is none to be had."""
    try:
        text = read_text(path)
        mode = path.stat().st_mode
    except SetupError as error:
        raise UnusableError(error.problems[0].allowed) from None
    except OSError as error:
        raise UnusableError(f"cannot be read: {error.strerror or error}") from None
    if mode & stat.S_IWOTH:
        raise UnusableError(f"everybody on this machine may change it; chmod 600 {path}")
    secret = _login_word(text.rstrip("\r\n"))
    open_to_others = mode & (_OTHERS_READ | _OTHERS_WRITE)
    return secret, f"others on this machine may read or change it; chmod 600 {path}" if open_to_others else ""


def from_environment(name: str, environment: Mapping[str, str]) -> Secret:
    """The secret in an environment variable. UnusableError where there is none."""
    if name not in environment:
        raise UnusableError("no such variable in the environment")
    return _login_word(environment[name])


def _login_word(text: str) -> Secret:
    if not text.strip():
        raise UnusableError("there is nothing in it")
    if not text.isascii():
        raise UnusableError("the password has a letter or sign that a mail login cannot carry; plain ASCII only")
    if not text.isprintable():
        raise UnusableError("must be one line without tabs or other control characters")
    return Secret(text)
