"""The small file in which the daemon says how it is, for `watcher health` and whoever else looks.

Rule: replaced whole or not at all, and never worth a failure of anything else. It is no record: nothing is lost with
it, so nothing is forced onto the disk for it. No secrets, no addresses of people.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from watcher.domain.errors import WatcherError
from watcher.health import WatcherState

FORMAT = 1
"""Told with the state; another program's later format is not guessed at."""

_T = TypeVar("_T")


class NoReport(WatcherError):  # noqa: N818  it says what is so
    """There is no file, or it makes no sense; the text says which."""


class HealthFile:
    """health.json in a data folder."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.path = folder, folder / "health.json"

    def write(self, state: WatcherState) -> None:
        """Put a state in the place of the one before. OSError where that cannot be."""
        fresh = self.path.with_suffix(".new")
        fresh.write_text(json.dumps({"format": FORMAT, **asdict(state)}), encoding="utf-8")
        os.replace(fresh, self.path)

    def read(self) -> WatcherState:
        """The newest state. NoReport where there is none that can be read."""
        try:
            plain = json.loads(self.path.read_text(encoding="utf-8"))
            if not isinstance(plain, dict) or plain.pop("format", None) != FORMAT:
                raise ValueError("of another program or another version")
            return _built(WatcherState, plain)
        except FileNotFoundError:
            raise NoReport(f"{self.path}: no such file, so no watcher has run with this folder") from None
        except OSError as error:
            raise NoReport(f"{self.path}: cannot be read: {error.strerror or error}") from None
        except (ValueError, TypeError) as error:
            raise NoReport(f"{self.path}: makes no sense: {error}") from None

    def kept_bytes(self) -> int:
        """How large everything in the folder is."""
        with os.scandir(self.folder) as entries:
            return sum(entry.stat().st_size for entry in entries if entry.is_file(follow_symlinks=False))

    def free_bytes(self) -> int:
        disk = os.statvfs(self.folder)
        return disk.f_bavail * disk.f_frsize


def _built(kind: type[_T], plain: Mapping[str, Any]) -> _T:
    """A dataclass from what JSON left of it. TypeError, ValueError where something is not as declared."""
    hints = get_type_hints(kind)
    if unknown := plain.keys() - {one.name for one in fields(kind)}:  # type: ignore[arg-type]
        raise ValueError(f"unknown: {', '.join(sorted(unknown))}")
    return kind(**{name: _as(hints[name], value) for name, value in plain.items()})


def _as(kind: Any, value: Any) -> Any:
    origin, inside = get_origin(kind), get_args(kind)
    if isinstance(kind, type) and is_dataclass(kind):
        return _built(kind, _as(dict, value))
    if origin is UnionType:  # something, or None
        return None if value is None else _as(inside[0], value)
    if origin is tuple:
        return tuple(_as(inside[0], one) for one in _as(list, value))
    if origin is not None and issubclass(origin, Mapping):
        return {key: _as(inside[1], one) for key, one in _as(dict, value).items()}
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if type(value) is not kind:
        raise TypeError(f"{value!r} is no {kind.__name__}")
    return value
