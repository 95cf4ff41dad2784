"""Which readings store there is, and how it is opened: a file, or a spool with a server behind it.

Rule: what belongs to a server is imported only where there is one.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from watcher.store.readings import SqliteReadings
from watcher.store.server.settings import ServerSettings

if TYPE_CHECKING:
    from watcher.store.server.readings import ServerReadings

Readings: TypeAlias = "SqliteReadings | ServerReadings"


def open_writer(path: Path, server: ServerSettings | None) -> Readings:
    """The one writer of a data folder. path: of the readings, or of the spool where there is a server."""
    if server is None:
        return SqliteReadings(path)
    from watcher.store.server.readings import ServerReadings

    return ServerReadings(path, server)


def open_reader(path: Path, server: ServerSettings | None) -> Readings:
    """One more, for reading only."""
    if server is None:
        return SqliteReadings.open_reader(path)
    from watcher.store.server.readings import ServerReadings

    return ServerReadings.open_reader(path, server)
