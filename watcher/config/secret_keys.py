"""A secret among the keys of a table: given as a file of its own or as the name of an environment variable."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from watcher.config.checked_toml import Keys, Page, never, shown, text
from watcher.config.secret import Secret, UnusableError, from_environment, from_file
from watcher.domain.errors import Problem


def secret_keys(word: str) -> Keys:
    """The keys under which a secret may be given, and the one under which people try to. word: "password", "token" """
    return {
        f"{word}_file": text(r"[^\x00-\x1f\x7f]+", "must be the path of a file, in quotes"),
        f"{word}_env": text(r"[A-Za-z_][A-Za-z0-9_]*", "must be the name of an environment variable"),
        word: never(f"a {word} does not stand in here; give {word}_file or {word}_env"),
    }


def says_secret(table: Mapping[str, Any], word: str) -> bool:
    return f"{word}_file" in table or f"{word}_env" in table


def secret_of(
    page: Page,
    path: str,
    word: str,
    table: Mapping[str, Any],
    beside: Path,
    environment: Mapping[str, str],
    warnings: list[Problem],
) -> Secret | None:
    """The secret that a table gives, None where it gives none or an unusable one (the page says so then).

    path: of the table in its file. beside: the folder that paths are meant from
    """
    file, variable = table.get(f"{word}_file"), table.get(f"{word}_env")
    if file is not None and variable is not None:
        page.wrong(f"{path}.{word}_env", f"{word}_file stands here too; keep one of the two", shown(variable))
    try:
        if file is not None:
            secret, warning = from_file(beside / file)
            if warning:
                warnings.append(page.problem(f"{path}.{word}_file", warning, shown(file)))
            return secret
        return from_environment(variable, environment) if variable is not None else None
    except UnusableError as why:
        key, found = (f"{path}.{word}_file", file) if file is not None else (f"{path}.{word}_env", variable)
        page.wrong(key, str(why), shown(found))
        return None
