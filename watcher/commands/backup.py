"""`watcher backup` and `watcher restore`: copies of all that was measured and judged.

A backup may be taken at any time. Restoring is for a watcher that is stopped, and takes the place of what is there
only when told to.
"""

from __future__ import annotations

from pathlib import Path

from watcher.clock import SystemClock
from watcher.config import load_watcher
from watcher.domain.errors import StoreError
from watcher.store.backup import back_up, chosen, restore
from watcher.store.folder_lock import FolderLock
from watcher.wiring import Files


def run_backup(watcher_file: Path, folder: Path) -> int:
    """Copy both stores into a new dated folder and name it; 0."""
    files = Files.of(load_watcher(watcher_file))
    # The ledger first: it must never know more than the readings it judged.
    made = back_up((files.ledger, files.readings), folder, SystemClock().now_ms())
    size = sum(part.stat().st_size for part in made.iterdir())
    print(f"{made}: whole and checked, {size / 1e6:.1f} MB")
    return 0


def run_restore(watcher_file: Path, folder: Path, *, replace: bool) -> int:
    """Put a backup in place; 0. StoreError where a watcher runs, or where there are stores and replace is not said."""
    files = Files.of(load_watcher(watcher_file))
    places = (files.ledger, files.readings)
    with FolderLock(files.folder):
        source = chosen(folder, places)
        there = [place.name for place in places if place.exists()]
        if there and not replace:
            raise StoreError(
                f"{files.folder} has {' and '.join(there)} already; with --replace they are set aside, not deleted"
            )
        aside = restore(source, places, SystemClock().now_ms())
    print(f"restored from {source}")
    for one in aside:
        print(f"what was there is kept as {one}")
    return 0
