"""The readings store on a server: spool and server as one.

Rule: what was appended is seen at once and for good. Nothing here waits for the server while it writes: `append` needs
the spool alone, `send_some` carries on from there, and a server that is away for days costs room in the spool.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Self

from watcher.domain.errors import Problem, StoreError
from watcher.domain.instant import DAY_MS, ON_TIME_MS
from watcher.domain.reading import Appended, Late, Reading, Samples
from watcher.store.readings_file import Access
from watcher.store.server.columns import Columns, Known, among, clusters, samples
from watcher.store.server.engine import Engine
from watcher.store.server.influxql import InfluxQl
from watcher.store.server.lines import Row, line
from watcher.store.server.settings import ServerKind, ServerSettings
from watcher.store.server.spool import Spool
from watcher.store.server.spool_queue import Queue, There
from watcher.store.server.victoria import VictoriaMetrics

if TYPE_CHECKING:
    from watcher.store.server.post import Post

BATCH_LINES = 5_000
_PROVE_ROWS = 50_000
_MOST_SITES = 20
"""More sites than these are not named in a question: all are read, which is what the queue of a hub holds anyway."""

_MOST_REFUSED = 20
"""Rows of one batch that may be refused one by one; beyond it the server refuses everything, and a person is needed."""

_NEWEST_DAYS = 28
_WEEK_MS = 7 * DAY_MS


class Sent(NamedTuple):
    """What one turn of the sender came to, in rows.

    sent: accepted by the server. proven: given back by it. again: not given back, and queued once more
    refused: kept in the spool for good. conflicting: were there already with another value, which stays
    more: rows wait that could be sent at once
    """

    sent: int
    proven: int
    again: int
    refused: int
    conflicting: int
    more: bool


class ServerReadings:
    """The readings of any number of sites, on a server behind a spool."""

    def __init__(self, spool: str | Path, settings: ServerSettings, access: Access = Access.WRITE) -> None:
        """Open or create the spool; the server is not spoken to yet. StoreError where the file cannot be opened."""
        self._settings = settings
        self._engine: Engine
        match settings.kind:
            case ServerKind.INFLUXQL:
                self._engine = InfluxQl(settings)
            case ServerKind.VICTORIA_METRICS:
                self._engine = VictoriaMetrics(settings)
        self._spool = Spool(spool, access, self._engine.kept)
        self._queue = Queue(self._spool)
        self._post: Post | None = None

    @classmethod
    def open_reader(cls, spool: str | Path, settings: ServerSettings) -> Self:
        """Open an existing spool for reading only, beside its writer, in any process."""
        return cls(spool, settings, Access.READ)

    def close(self) -> None:
        self._engine.close()
        if self._post is not None:
            self._post.close()
        self._spool.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Writing

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended:
        """Keep a batch for each site and move the site's watermark, in one transaction, on disk.

        As in every store. ValueError for a value that is not finite or that the server could not keep, or a name that
        is none. `new` may count a row that the server has from long ago; there its first value stays.
        """
        return self._spool.append(batches, now_ms)

    def append_history(self, site: str, readings: Iterable[Reading], now_ms: int) -> Appended:
        """Keep what a site measured before it was ever evaluated, as if every row had come on time."""
        return self._spool.append_history(site, readings, now_ms)

    def upkeep(self, now_ms: int) -> bool:
        """For a quiet hour: offer the server again what it refused, and tidy the spool. Whether there is more to do."""
        self._queue.forget(now_ms)
        self._queue.try_refused_again()
        self._queue.tidy()
        return False

    # Sending

    def send_some(self, now_ms: int) -> Sent:
        """Prove what was sent a while ago and send a batch of what waits longest; one caller at a time.

        StoreError where the server cannot be reached or takes nothing; whatever was not done waits.
        """
        for site in self._queue.uncompared():
            self._queue.compared(site, self._there_of(site, now_ms))
        proven, again, lost = self._prove(now_ms)
        self._queue.forget(now_ms)
        rows, conflicting = self._first_of_their_key(self._queue.next_rows(BATCH_LINES))
        refused: dict[int, str] = {}
        if rows:
            refused = self._sent(rows)
            self._queue.sent(rows, refused, now_ms)
        return Sent(len(rows) - len(refused), proven, again, len(refused) + lost, conflicting, self._queue.more())

    def waiting(self) -> int:
        """How many rows the server has not had yet."""
        return self._queue.waiting()

    def refused(self) -> int:
        """How many rows the server would not have or keep; they are read from the spool."""
        return self._queue.refused()

    def setup_problems(self) -> list[Problem]:
        """What would keep rows from the server or lose them there, in words. StoreError where it is away just now."""
        problems = self._engine.check()
        if count := self.refused():
            told = f"refuses {count} rows, which are kept in the spool: {self._queue.why_refused()}"
            problems.append(Problem("", "store.url", self._settings.url, told))
        return problems

    def check(self) -> list[Problem]:
        """The same, with an absent server as one more problem: for somebody who is looking."""
        try:
            return self.setup_problems()
        except StoreError as error:
            return [Problem("", "store.url", self._settings.url, f"does not answer: {error}")]

    # Reading

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> dict[str, Samples]:
        """Rows with start_ms <= time < end_ms that came on time or were received before received_by_ms.

        As in every store. StoreError where rows of the server's are needed and it does not give them whole.
        """
        # The spool first: what it lets go of after this the server has been seen to have.
        held = self._spool.held(site, channels, start_ms, end_ms)
        columns = self._columns(site, start_ms, end_ms)
        found: dict[str, Samples] = {}
        for channel in sorted({*held, *(name for _, name in columns)}):
            if channels is None or channel in channels:
                merged = samples(columns.get((site, channel)), held.get(channel, ()), received_by_ms)
                if len(merged):
                    found[channel] = merged
        return found

    def late(self, site: str, since_ms: int, until_ms: int) -> list[Late]:
        """Rows outside their time with since_ms <= received < until_ms, by channel and instant of receipt.

        In order of receipt, then channel. A receipt that brought nothing but rows the server had may be among them.
        """
        known = self._spool.late(site, since_ms, until_ms)
        if self._spool.extent(site).compared:
            return known
        groups = {(late.channel, late.received_ms): (late.first_ms, late.last_ms) for late in known}
        first_ms = self._engine.first(site)
        if first_ms is not None:
            for channel, time_ms, received_ms in self._engine.lates(site, first_ms, until_ms + _NEWEST_DAYS * DAY_MS):
                if since_ms <= received_ms < until_ms:
                    _widen(groups, channel, received_ms, time_ms)
        found = [Late(channel, received_ms, *times) for (channel, received_ms), times in groups.items()]
        return sorted(found, key=lambda late: (late.received_ms, late.channel))

    def received_through(self, site: str) -> int | None:
        """Everything received before this instant is in the store [ms]; None for a site never heard of."""
        return self._spool.received_through(site)

    def last(self, site: str) -> dict[str, Reading]:
        """The newest reading of each channel. What lay ahead when it was received (a forecast) is no such reading."""
        return self._spool.last(site)

    def first(self, site: str) -> int | None:
        """The time of the site's oldest row; None where it has none."""
        extent = self._spool.extent(site)
        if extent.compared:
            return extent.first_ms
        return min((one for one in (extent.first_ms, self._engine.first(site)) if one is not None), default=None)

    def sites(self) -> list[str]:
        """Every site that ever had a batch, in order of name."""
        return self._spool.sites()

    def week_bytes(self) -> int:
        """What a week adds for good here: nothing, the rows go to the server."""
        return 0

    # Inside

    def _columns(self, site: str, start_ms: int, end_ms: int) -> Columns:
        """What the server has of a stretch; it is not asked for times at which the site has no rows at all."""
        extent = self._spool.extent(site)
        first_ms = self.first(site)
        if first_ms is None:
            return {}
        start_ms = max(start_ms, first_ms)
        if extent.last_ms is not None:
            # Of a site not compared yet the server may have more, yet nothing later than a forecast reaches.
            reach_ms = 1 if extent.compared else _NEWEST_DAYS * DAY_MS
            end_ms = min(end_ms, extent.last_ms + reach_ms)
        return self._engine.rows([site], start_ms, end_ms) if start_ms < end_ms else {}

    def _prove(self, now_ms: int) -> tuple[int, int, int]:
        """How many rows are proven now, sent again, refused."""
        due = self._queue.due(now_ms, _PROVE_ROWS)
        rows = [row for _, flown in due for row in flown]
        if not due:
            return 0, 0, 0
        known = self._known(rows)
        missing = {row.id: _amiss(row, known.get(row.id)) for row in rows}
        missing = {id: why for id, why in missing.items() if why}
        again, refused = self._queue.proven([flight for flight, _ in due], missing, now_ms)
        return len(rows) - len(missing), again, refused

    def _first_of_their_key(self, rows: list[Row]) -> tuple[list[Row], int]:
        """The rows without those the server has already, and how many of those are at odds with it."""
        known = self._known([row for row in rows if row.doubtful])
        if not known:
            return rows, 0
        self._queue.drop_known(known)
        conflicting = sum(row.id in known and known[row.id].value != row.value for row in rows)
        return [row for row in rows if row.id not in known], conflicting

    def _known(self, rows: Iterable[Row]) -> dict[int, Known]:
        """Which of the rows the server gives back, and how."""
        known: dict[int, Known] = {}
        for near in clusters(rows):
            sites = {row.site for row in near}
            asked = sites if len(sites) <= _MOST_SITES else None
            known |= among(self._engine.rows(asked, near[0].time_ms, near[-1].time_ms + 1), near)
        return known

    def _sent(self, rows: Sequence[Row]) -> dict[int, str]:
        """Post rows; those that the server refuses for themselves, and why. A refused batch is halved until they stand
        alone."""
        # Only a sender needs the client library: it is as large as all the rest of the daemon.
        from watcher.store.server.post import Post, RefusedLinesError

        self._post = self._post or Post(self._settings)
        refused: dict[int, str] = {}
        batches = [list(rows)]
        while batches:
            batch = batches.pop()
            try:
                self._post.send([line(row) for row in batch])
            except RefusedLinesError as error:
                if len(batch) > 1:
                    half = len(batch) // 2
                    batches += [batch[half:], batch[:half]]
                    continue
                if len(refused) == _MOST_REFUSED:
                    raise StoreError(f"readings server: refuses row after row: {error.why}") from error
                refused[batch[0].id] = error.why
        return refused

    def _there_of(self, site: str, now_ms: int) -> There | None:
        """What the server has of a site: asked once, before anything of the site is sent."""
        first_ms = self._engine.first(site)
        if first_ms is None:
            return None
        late: dict[tuple[str, int], tuple[int, int]] = {}
        for channel, time_ms, received_ms in self._engine.lates(site, first_ms, now_ms + _NEWEST_DAYS * DAY_MS):
            _widen(late, channel, received_ms, time_ms)
        last_ms, newest = max(first_ms, now_ms - _NEWEST_DAYS * DAY_MS), dict[str, tuple[int, float]]()
        for start_ms in range(now_ms - _NEWEST_DAYS * DAY_MS, now_ms + _NEWEST_DAYS * DAY_MS, _WEEK_MS):
            for (_, channel), column in self._engine.rows([site], start_ms, start_ms + _WEEK_MS).items():
                last_ms = max(last_ms, column.time_ms[-1])
                for time_ms, value in zip(column.time_ms, column.value, strict=True):
                    received_ms = column.received.get(time_ms, time_ms)
                    if time_ms <= received_ms + ON_TIME_MS:
                        newest[channel] = (time_ms, value)
        return There(first_ms, last_ms, newest, late)


def _amiss(row: Row, known: Known | None) -> str:
    """What is wrong with a row as the server gave it back; "" where nothing is."""
    if known is None:
        return "accepted, and not there a minute later (does the server keep rows that long?)"
    if known.value != row.value:
        return f"accepted as {row.value!r}, and given back as {known.value!r}"
    if known.received_ms != row.received_ms:
        return "accepted, and given back without when it was received"
    return ""


def _widen(groups: dict[tuple[str, int], tuple[int, int]], channel: str, received_ms: int, time_ms: int) -> None:
    first_ms, last_ms = groups.get((channel, received_ms), (time_ms, time_ms))
    groups[channel, received_ms] = (min(first_ms, time_ms), max(last_ms, time_ms))
