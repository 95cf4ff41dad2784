"""Copies of both stores, taken while they are written, and put back.

Rule: a copy counts once it is whole: written beside, synced, checked by the engine, then given its name. Putting back
deletes nothing: what stood there is set aside under a dated name.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from watcher.domain.errors import StoreError
from watcher.domain.instant import from_ms
from watcher.store.damaged import set_aside, sync_folder
from watcher.store.trouble import StoreDamaged, store_error

_UNFINISHED = ".unfinished"


def back_up(files: Sequence[Path], folder: Path, now_ms: int) -> Path:
    """Copy each file into a new dated folder inside folder; that folder. StoreError where that cannot be done.

    files: in this order, so the one that must not know more than the others comes first. Each copy is one moment of
    its file, whoever writes it meanwhile, and nobody is kept waiting.
    """
    missing = [str(file) for file in files if not file.exists()]
    if missing:
        raise StoreError(f"nothing to copy: {', '.join(missing)} not there")
    final = folder / from_ms(now_ms).strftime("%Y-%m-%dT%H%M%SZ")
    if final.exists():
        raise StoreError(f"{final} is there already")
    work = final.with_name(final.name + _UNFINISHED)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir()
        for file in files:
            _copy(file, work / file.name)
        sync_folder(work)
        os.rename(work, final)
        sync_folder(folder)
    except OSError as error:
        raise StoreError(f"copying into {folder} failed: {error}") from error
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return final


def restore(backup: Path, files: Sequence[Path], now_ms: int) -> list[Path]:
    """Put the copies of a backup in place of files; the names under which what stood there is kept now.

    backup: a folder that back_up made, or one that holds such folders (the newest counts). Nobody may be using the
    files. StoreError, with nothing changed, where the backup is not whole and sound.
    """
    source = chosen(backup, files)
    fresh = [file.with_name(file.name + ".restored") for file in files]
    try:
        for file, copy in zip(files, fresh, strict=True):
            file.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source / file.name, copy)
            _check(copy)
            _sync(copy)
        aside = [set_aside(file, now_ms, "replaced") for file in files if file.exists()]
        for file, copy in zip(files, fresh, strict=True):
            os.replace(copy, file)
        sync_folder(files[0].parent)
    except OSError as error:
        raise StoreError(f"restoring from {source} failed: {error}") from error
    finally:
        for copy in fresh:
            copy.unlink(missing_ok=True)
    return aside


def chosen(backup: Path, files: Sequence[Path]) -> Path:
    """The folder to restore from. StoreError where there is none."""
    names = [file.name for file in files]
    inside = sorted(backup.iterdir(), reverse=True) if backup.is_dir() else []
    for folder in (backup, *inside):
        if folder.suffix != _UNFINISHED and all((folder / name).is_file() for name in names):
            return folder
    raise StoreError(f"{backup}: no backup there; one is a folder with {' and '.join(names)}")


def _copy(file: Path, copy: Path) -> None:
    try:
        source = sqlite3.connect(f"{file.absolute().as_uri()}?mode=rw", 30.0, uri=True)
        with closing(source), closing(sqlite3.connect(copy)) as target:
            source.backup(target)
    except sqlite3.Error as error:
        raise store_error(f"copying {file} failed: {error}", error) from error
    _check(copy)
    _sync(copy)


def _check(copy: Path) -> None:
    """Have the engine go through all of it."""
    try:
        with closing(sqlite3.connect(copy)) as connection:
            said = [text for (text,) in connection.execute("PRAGMA integrity_check(3)")]
    except sqlite3.Error as error:
        said = [str(error)]
    if said != ["ok"]:
        raise StoreDamaged(f"{copy}: the copy is not sound: {'; '.join(said)}")


def _sync(file: Path) -> None:
    number = os.open(file, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
