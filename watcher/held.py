"""Readings taken while nobody knows what time it is: held with the machine's uptime, dated once the clock is right.

Rule: nothing is dated by a clock that is not trusted. A file in the data folder keeps them through a stop. The offset
between uptime and time is written to it before any reading is dated by it, so that after a crash the same reading gets
the same instant. Uptime means nothing after the machine has started anew: what no offset came for stays in the file,
set aside, and is told as an event with the earliest instant it may be from, never as a reading.
"""

from __future__ import annotations

import json
import logging
import math
import os
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from uuid import uuid4

from watcher.clock_sync import boot_id
from watcher.collect.collectors import Collected
from watcher.domain.reading import Reading
from watcher.inbox import Inbox

log = logging.getLogger(__name__)

FILE = "held.jsonl"
FILE_LIMIT_BYTES = 64_000_000
"""Some five days of twenty channels each minute for ten homes; what comes after waits in memory, thinned."""

Rows = dict[str, list[Reading]]
"""By site; the time of each is a mark: milliseconds of uptime."""


@dataclass(slots=True)
class _Content:
    """dated: with their instants. own: marks of this start without an offset. void: marks of earlier starts"""

    dated: Rows = field(default_factory=lambda: defaultdict(list))
    own: Rows = field(default_factory=lambda: defaultdict(list))
    void: Rows = field(default_factory=lambda: defaultdict(list))


class Held:
    """add and waiting belong to the event loop; keep, date and forget wait for the disk and go to the writer."""

    def __init__(self, folder: Path, sites: Sequence[str], boot: str | None = None) -> None:
        self._path, self._sites = folder / FILE, tuple(sites)
        self._boot = (boot_id() or uuid4().hex) if boot is None else boot
        self._new = Inbox(sites)

    @property
    def waiting(self) -> bool:
        return bool(len(self._new)) or self._path.exists()

    @property
    def lost(self) -> int:
        return self._new.lost

    def add(self, site: str, readings: Sequence[Reading], now_ms: int, monotonic: float) -> None:
        """Readings stamped by a clock that showed now_ms, rightly or not, when the uptime was `monotonic`. [s]"""
        shift = round(monotonic * 1000) - now_ms
        self._new.add(Collected(site, tuple(one._replace(time_ms=one.time_ms + shift) for one in readings)))

    def keep(self) -> None:
        """Write what has come since to the file. OSError: it stays in memory."""
        if not len(self._new) or (self._path.exists() and self._path.stat().st_size > FILE_LIMIT_BYTES):
            return
        taken = self._new.take()
        try:
            self._write([{"boot": self._boot, "site": site, "rows": rows} for site, rows in taken.items() if rows])
        except OSError:
            self._new.put_back(taken)
            raise

    def date(self, offset_ms: int) -> Rows:
        """Everything held, with its instants: uptime plus offset_ms, or the offset that was written before a crash."""
        content = self._read()
        if any(content.own.values()):
            self._write([{"boot": self._boot, "offset_ms": offset_ms}])
            content = self._read()
        found = {site: list(rows) for site, rows in content.dated.items()}
        for site, rows in self._new.take().items():
            found.setdefault(site, []).extend(one._replace(time_ms=one.time_ms + offset_ms) for one in rows)
        return {site: rows for site, rows in found.items() if rows and site in self._sites}

    def forget(self) -> None:
        """All that was dated is in the store."""
        self._path.unlink(missing_ok=True)

    def highest(self, site: str, channel: str) -> float | None:
        """The highest value of a channel that waits in the file for its date; None where none does."""
        content = self._read()
        waiting = (*content.dated.get(site, ()), *content.own.get(site, ()))
        return max((one.value for one in waiting if one.channel == channel), default=None)

    def undatable(self) -> Mapping[str, Sequence[Reading]]:
        """What was held before the machine started anew and never dated, by site, in order; times are void marks."""
        return {site: rows for site, rows in self._read().void.items() if rows}

    def set_aside(self) -> None:
        """Keep a file with undatable rows under a name of its own; what it has that can be dated goes on being held."""
        content = self._read()
        number = next(n for n in range(1, 1_000_000) if not self._aside(n).exists())
        os.replace(self._path, self._aside(number))
        log.warning("undated readings=%d file=%s", sum(map(len, content.void.values())), self._aside(number).name)
        for site, rows in content.own.items():
            self._new.put_back({site: rows})
        dated = [{"boot": "", "site": site, "rows": rows} for site, rows in content.dated.items() if rows]
        if dated:
            self._write([*dated, {"boot": "", "offset_ms": 0}])

    def _aside(self, number: int) -> Path:
        return self._path.with_name(f"undated-{number}.jsonl")

    def _write(self, lines: Sequence[Mapping[str, object]]) -> None:
        """Append and wait for the disk. A line begins on a line of its own, even after half of one was written."""
        new = not self._path.exists()
        with self._path.open("a", encoding="utf-8") as file:
            file.write("".join(f"\n{json.dumps(line)}\n" for line in lines))
            file.flush()
            os.fsync(file.fileno())
        if new:
            folder = os.open(self._path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)

    def _read(self) -> _Content:
        """The file; half a line, as a power cut leaves, is passed over."""
        content = _Content()
        open_rows: dict[str, Rows] = defaultdict(lambda: defaultdict(list))
        with suppress(FileNotFoundError), self._path.open("rb") as file:
            for line in file:
                with suppress(ValueError, KeyError, TypeError):
                    said = json.loads(line)
                    if "offset_ms" in said:
                        offset_ms = int(said["offset_ms"])
                        for site, rows in open_rows.pop(said["boot"], {}).items():
                            content.dated[site] += [one._replace(time_ms=one.time_ms + offset_ms) for one in rows]
                        continue
                    rows = [Reading(str(name), int(mark), float(value)) for name, mark, value in said["rows"]]
                    open_rows[said["boot"]][said["site"]] += [one for one in rows if math.isfinite(one.value)]
        for boot, by_site in open_rows.items():
            kept = content.own if boot == self._boot else content.void
            for site, rows in by_site.items():
                kept[site] += rows
        return content
