"""What a database can say when it refuses, in three kinds that need different answers.

Rule: a full disk and a foreign lock pass by themselves, so what could not be written is kept and tried again; damage
does not pass, so the file is set aside and a new one begun (damaged.py). Anything else is a plain StoreError.
"""

from __future__ import annotations

import sqlite3

from watcher.domain.errors import StoreError


class StoreFull(StoreError):  # noqa: N818  it says what is so
    """The disk has no room. Nothing of the transaction was written; it may be tried again."""


class StoreBusy(StoreError):  # noqa: N818
    """Another program holds the file locked. Nothing was written; it may be tried again."""


class StoreDamaged(StoreError):  # noqa: N818
    """The file's content makes no sense any more. Trying again does not help."""


_KINDS: dict[int, type[StoreError]] = {
    sqlite3.SQLITE_FULL: StoreFull,
    sqlite3.SQLITE_BUSY: StoreBusy,
    sqlite3.SQLITE_LOCKED: StoreBusy,
    sqlite3.SQLITE_CORRUPT: StoreDamaged,
    sqlite3.SQLITE_NOTADB: StoreDamaged,
    # The log's index could not be made longer: there was no room for it.
    sqlite3.SQLITE_IOERR_SHMSIZE: StoreFull,
}


def store_error(text: str, cause: BaseException) -> StoreError:
    """The error to raise for what the engine said. text: what was being done and what came of it."""
    code = getattr(cause, "sqlite_errorcode", 0)
    # Extended codes carry the plain one in their low byte.
    return _KINDS.get(code, _KINDS.get(code & 0xFF, StoreError))(text)
