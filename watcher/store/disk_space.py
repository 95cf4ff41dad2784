"""Whether the disk will soon be full.

Rule: said while there is still time: below a tenth of the disk, or below what a week adds.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

SHARE = 0.10
_RECKON_AGAIN = 1_440
"""Looks between two reckonings of what a week adds: a day's, at one a minute."""


class DiskSpace:
    """Looks at the disk a folder is on. week: bytes that the stores have grown by in their last seven days."""

    def __init__(self, folder: Path, week: Callable[[], int]) -> None:
        self._folder, self._week = folder, week
        self._looks, self._week_bytes = 0, 0

    def low(self) -> str:
        """How little is left, in words; "" where there is enough."""
        if self._looks % _RECKON_AGAIN == 0:
            self._week_bytes = self._week()
        self._looks += 1
        disk = os.statvfs(self._folder)
        free, whole = disk.f_bavail * disk.f_frsize, disk.f_blocks * disk.f_frsize
        if free >= SHARE * whole and free >= self._week_bytes:
            return ""
        week = f"; a week of readings takes {_said(self._week_bytes)}" if self._week_bytes else ""
        return f"{_said(free)} of {_said(whole)} are free where the readings are kept ({self._folder}){week}"


def _said(amount: int) -> str:
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if amount >= size:
            return f"{amount / size:.1f} {unit}"
    return f"{amount} bytes"
