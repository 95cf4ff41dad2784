"""A readings store under the conformance kit: the same questions to one in a file and to one on a server."""

from __future__ import annotations

import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from typing import Self

from real_servers import RealServer

from watcher.domain.instant import DAY_MS, parse_iso
from watcher.domain.reading import Samples
from watcher.store.readings import SqliteReadings
from watcher.store.server.readings import ServerReadings
from watcher.store.server.spool_queue import HOLD_MS, RECENT_MS

T0 = parse_iso("2024-06-21T10:00:00Z")
"""Well in the past: VictoriaMetrics refuses what lies more than two days ahead of the machine's own clock."""

POWER = "inverter-1.ac_power"
INDEX = "meter-1.energy_index"
EVERYTHING = (-(2**62), 2**62, 2**62)

Store = SqliteReadings | ServerReadings


def rows(samples: Samples) -> list[tuple[int, float, int]]:
    return list(zip(samples.time_ms, samples.value, samples.known_ms, strict=True))


def everything(store: Store, site: str = "home-1") -> dict[str, list[tuple[int, float, int]]]:
    return {channel: rows(samples) for channel, samples in store.window(site, None, *EVERYTHING).items()}


class Kept(ABC):
    """One store, its writer open."""

    store: Store

    @abstractmethod
    def settle(self) -> None:
        """Bring it where everything lies after some days."""

    @abstractmethod
    def settle_a_little(self) -> None:
        """Let it do what it does within minutes."""

    @abstractmethod
    def reader(self) -> Store:
        """Another one, for reading only."""

    @abstractmethod
    def restart(self) -> None:
        """Close the writer and open it again."""

    def always(self, check: Callable[[Store], None]) -> None:
        """What must be so at once, after some days, and in another process."""
        check(self.store)
        self.settle()
        check(self.store)
        with self.reader() as reader:
            check(reader)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.store.close()


class InFile(Kept):
    def __init__(self, path: Path) -> None:
        self._path = path
        self.store: SqliteReadings = SqliteReadings(path)

    def settle(self) -> None:
        pass

    def settle_a_little(self) -> None:
        pass

    def reader(self) -> SqliteReadings:
        return SqliteReadings.open_reader(self._path)

    def restart(self) -> None:
        self.store.close()
        self.store = SqliteReadings(self._path)


class OnServer(Kept):
    """Afterwards the spool is empty: what is read comes from the server alone."""

    def __init__(self, path: Path, server: RealServer) -> None:
        self._path, self.server = path, server
        self.store: ServerReadings = ServerReadings(path, server.settings)
        self.now_ms = T0 + 10 * 365 * DAY_MS

    def send(self) -> int:
        """Send all that waits; how many rows were accepted."""
        sent = 0
        while True:
            turn = self.store.send_some(self.now_ms)
            sent += turn.sent
            if not turn.more:
                return sent

    def settle_a_little(self) -> None:
        shown = self.server.count()
        self.server.shows(shown + self.send())
        self.now_ms += HOLD_MS
        assert self.store.send_some(self.now_ms).again == 0

    def settle(self) -> None:
        self.settle_a_little()
        self.now_ms += RECENT_MS
        self.store.send_some(self.now_ms)
        assert self.spooled() == 0

    def spooled(self) -> int:
        """How many rows are in the spool, in whatever state."""
        connection = sqlite3.connect(self._path)
        (count,) = connection.execute("SELECT (SELECT count(*) FROM row) + (SELECT count(*) FROM refused)").fetchone()
        connection.close()
        return int(count)

    def reader(self) -> ServerReadings:
        return ServerReadings.open_reader(self._path, self.server.settings)

    def restart(self) -> None:
        self.store.close()
        self.store = ServerReadings(self._path, self.server.settings)
