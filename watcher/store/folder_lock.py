"""One program at a time works in a data folder.

Rule: the lock is the kernel's, so it ends with the process that holds it, however that ends. The file it hangs on
stays and means nothing.
"""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path
from typing import Self

from watcher.domain.errors import StoreError

LOCK_FILE = "in-use.lock"

_TRIES = 3
"""Somebody may be looking whether it is in use at this very moment."""


class FolderInUse(StoreError):  # noqa: N818  it says what is so
    """Another process works in this folder."""


class FolderLock:
    """Held from the entry of a `with` block to its end. FolderInUse where another process has it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._number: int | None = None

    def __enter__(self) -> Self:
        self._folder.mkdir(parents=True, exist_ok=True)
        number = os.open(self._folder / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o600)
        for left in range(_TRIES, 0, -1):
            try:
                fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if left == 1:
                    os.close(number)
                    raise FolderInUse(f"{self._folder}: a watcher is running with this folder") from None
                time.sleep(0.05)
        self._number = number
        return self

    def __exit__(self, *_: object) -> None:
        if self._number is not None:
            os.close(self._number)
            self._number = None


def in_use(folder: Path) -> bool:
    """Whether a process works in a folder. OSError where one may not look."""
    try:
        number = os.open(folder / LOCK_FILE, os.O_RDONLY)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(number, fcntl.LOCK_SH | fcntl.LOCK_NB)  # let go when the file is closed
    except BlockingIOError:
        return True
    finally:
        os.close(number)
    return False
