"""Opens the two stores of a daemon, whatever state their files are in.

Rule: the daemon always starts. A damaged file is set aside, what can be read of it is kept, and what was done is told;
a store that is empty while the other one knows better is told too, never passed over.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from watcher.store.choice import Readings, open_writer
from watcher.store.damaged import Damage, Salvage, finished, replaced, trouble_in
from watcher.store.ledger import Ledger
from watcher.store.ledger_salvage import salvage_ledger
from watcher.store.readings_salvage import salvage_readings
from watcher.store.server.settings import ServerSettings
from watcher.store.trouble import StoreDamaged

log = logging.getLogger(__name__)

_T = TypeVar("_T")

SUSPECT = ".suspect"
"""Ending of a mark beside a file that was found damaged while it was in use."""


@dataclass(frozen=True, slots=True)
class Stores:
    """Both stores open. damages: what had to be done for that, in words for the operator."""

    readings: Readings
    ledger: Ledger
    damages: tuple[Damage, ...]


def open_stores(readings_file: Path, ledger_file: Path, now_ms: int, server: ServerSettings | None = None) -> Stores:
    """Open or create both. now_ms: for the names of files set aside. StoreError where a file cannot be had at all.

    server: where readings go; readings_file is the spool then
    """
    damages: list[Damage] = []
    salvage = salvage_readings if server is None else _salvage_spool
    readings = opened(partial(open_writer, server=server), readings_file, salvage, now_ms, damages)
    try:
        ledger = opened(open_ledger, ledger_file, salvage_ledger, now_ms, damages)
    except BaseException:
        readings.close()
        raise
    stored = readings.sites()
    judged = [site for site in ledger.sites() if ledger.evaluated_until(site) is not None]
    damaged = {damage.file for damage in damages}
    if judged and not stored and server is None and readings_file not in damaged:
        found = f"no readings are there, though {len(judged)} sites have been judged from some"
        damages.append(Damage(readings_file, found, None, "nothing of them was found"))
    if stored and not ledger.sites() and ledger_file not in damaged:
        found = f"nothing is written of the {len(stored)} sites whose readings are there"
        damages.append(Damage(ledger_file, found, None, "all is judged again from the readings"))
    if any(damage.file == ledger_file for damage in damages):
        # Where the damaged ledger could not say how far it had judged, it may have judged all that was there.
        ledger.begin_again({site: readings.received_through(site) or 0 for site in stored})
    for damage in damages:
        log.error("store-damaged %s", damage)
    return Stores(readings, ledger, tuple(damages))


def suspect(readings_file: Path, ledger_file: Path, error: str) -> None:
    """Note that a store in use was found damaged, so that the next opening takes what is readable into a new file.

    A chunk whose bytes have changed is found when it is read and at no other time. error: its words name the store
    """
    file = ledger_file if "ledger:" in error else readings_file
    _mark(file).write_text(f"{error}\n", encoding="utf-8")


def opened(open_one: Callable[[Path], _T], path: Path, salvage: Salvage, now_ms: int, damages: list[Damage]) -> _T:
    """One store, after whatever its file needed; that is added to damages."""
    if (interrupted := finished(path, now_ms)) is not None:
        damages.append(interrupted)
    mark = _mark(path)
    found = trouble_in(path)
    if not found and mark.exists() and path.exists():
        found = mark.read_text(encoding="utf-8", errors="replace").strip() or "it was found damaged while in use"
    if found:
        damages.append(replaced(path, found, now_ms, salvage))
    mark.unlink(missing_ok=True)
    try:
        return open_one(path)
    except StoreDamaged as error:
        damages.append(replaced(path, str(error), now_ms, salvage))
        return open_one(path)


def _salvage_spool(damaged: Path, fresh: Path) -> str:
    from watcher.store.server.salvage import salvage_spool

    return salvage_spool(damaged, fresh)


def open_ledger(path: Path) -> Ledger:
    """The ledger in a file."""
    return Ledger(f"sqlite:///{path}")


def _mark(path: Path) -> Path:
    return path.with_name(path.name + SUSPECT)
