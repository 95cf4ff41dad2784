"""InfluxDB 1.8 or newer, 2 and 3 as a readings server: raw rows by InfluxQL over /query.

Rule: history is read a week at a time. InfluxDB 3 refuses a query that would open too many files, and no server has to
hold more than that in memory for us.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator
from typing import Any

from watcher.domain.errors import Problem, StoreError
from watcher.domain.instant import DAY_MS
from watcher.store.server.columns import Column, Columns
from watcher.store.server.engine import AnswerError, Http
from watcher.store.server.lines import MEASUREMENT, RECEIVED, VALUE
from watcher.store.server.settings import ServerSettings

_WINDOW_MS = 7 * DAY_MS
_LIMIT_MS = 2**63 // 1_000_000 - 1  # its times are nanoseconds in 64 bits
_CHUNK_ROWS = 10_000

_DURATION = re.compile(r"(\d+)(ns|us|µs|u|ms|s|m|h|d|w)")
_SECONDS = {
    "ns": 1e-9,
    "us": 1e-6,
    "µs": 1e-6,
    "u": 1e-6,
    "ms": 1e-3,
    "s": 1,
    "m": 60,
    "h": 3600,
    "d": 86400,
    "w": 604800,
}


class InfluxQl:
    """One database and retention policy of a 1.x, or one bucket."""

    def __init__(self, settings: ServerSettings) -> None:
        self._settings, self._http = settings, Http(settings)
        self._database, _, self._policy = settings.bucket.partition("/")

    def kept(self, channel: str, time_ms: int, value: float) -> float:
        return value  # doubles come back bit for bit

    def rows(self, sites: Collection[str] | None, start_ms: int, end_ms: int) -> Columns:
        columns: Columns = {}
        among = _among(sites)
        for span in _windows(start_ms, end_ms):
            query = f'SELECT "{VALUE}","{RECEIVED}" FROM "{MEASUREMENT}" WHERE {among}{span} GROUP BY "site","channel"'
            for key, (times, values, receipts) in self._tagged("reading rows", query, VALUE, RECEIVED):
                column = columns.setdefault(key, Column())
                column.extend(times, values)
                column.received.update(
                    (time, round(receipt)) for time, receipt in zip(times, receipts, strict=True) if receipt is not None
                )
        for column in columns.values():
            column.settle()
        return columns

    def lates(self, site: str, start_ms: int, end_ms: int) -> Iterator[tuple[str, int, int]]:
        for span in _windows(start_ms, end_ms):
            query = f'SELECT "{RECEIVED}" FROM "{MEASUREMENT}" WHERE {_among([site])}{span} GROUP BY "site","channel"'
            for (_, channel), (times, receipts) in self._tagged("looking for late rows", query, RECEIVED):
                for time_ms, received_ms in zip(times, receipts, strict=True):
                    yield channel, time_ms, round(received_ms)

    def first(self, site: str) -> int | None:
        query = f'SELECT first("{VALUE}") FROM "{MEASUREMENT}" WHERE "site"=\'{site}\' GROUP BY "site","channel"'
        found = self._tagged("reading the oldest row", query, "first")
        return min((time_ms for _, (times, _) in found for time_ms in times), default=None)

    def check(self) -> list[Problem]:
        place = self._settings
        try:
            policies = list(self._series("asking for its retention", f'SHOW RETENTION POLICIES ON "{self._database}"'))
        except AnswerError as error:
            if error.status in (401, 403):
                return [Problem("", "store.token_file", "", f"is refused by the server: {error.text}")]
            if error.status == 404 or "not found" in error.text:
                return [Problem("", "store.bucket", place.bucket, f"is not there: {error.text}")]
            if error.status not in (200, 400):
                raise
            # A server need not speak of retention in this language; that it answers and lets us in is known then.
            return []
        found = [dict(zip(one["columns"], row, strict=True)) for one in policies for row in one.get("values", ())]
        if not all({"name", "duration", "default"} <= one.keys() for one in found):
            return [Problem("", "store.url", place.url, f"does not answer as InfluxDB does: {found[0]}")]
        ours = [one for one in found if (one["name"] == self._policy if self._policy else one.get("default"))]
        if self._policy and found and not ours:
            return [Problem("", "store.bucket", place.bucket, f"has no retention policy {self._policy!r}")]
        kept_days = min((_days(one["duration"]) for one in ours), default=0.0)
        # Nothing, and 0s, is for ever.
        if not 0 < kept_days < place.keep_days:
            return []
        text = f"keeps rows for {kept_days:.0f} days only; {place.keep_days} are asked for: lengthen its retention"
        return [Problem("", "store.bucket", place.bucket, text)]

    def close(self) -> None:
        self._http.close()

    def _tagged(self, doing: str, query: str, *names: str) -> Iterator[tuple[tuple[str, str], tuple[list[Any], ...]]]:
        """Site and channel, and the time and the named columns of the rows that have the first of them."""
        for series in self._series(doing, query):
            try:
                at = [series["columns"].index(name) for name in ("time", *names)]
                rows = [row for row in series["values"] if row[at[1]] is not None]
                key = series["tags"]["site"], series["tags"]["channel"]
                columns = tuple([row[place] for row in rows] for place in at)
            except (LookupError, ValueError, TypeError) as error:
                raise StoreError(f"readings server: {doing} failed: {str(series)[:200]} is no answer") from error
            yield key, columns

    def _series(self, doing: str, query: str) -> Iterator[dict[str, Any]]:
        """The series of one statement's answer; one series may come in several pieces."""
        fields = {"db": self._database, "q": query, "epoch": "ms", "chunked": "true", "chunk_size": str(_CHUNK_ROWS)}
        if self._policy:
            fields["rp"] = self._policy
        unfinished = False
        for line in self._http.lines(doing, "/query", fields):
            if not line.strip():
                continue
            try:
                answer = json.loads(line)
                results = answer.get("results", ())
                said = [one["error"] for one in (answer, *results) if "error" in one]
            except (ValueError, LookupError, TypeError, AttributeError) as error:
                raise StoreError(f"readings server: {doing} failed: {line[:200]!r} is no answer") from error
            if said:
                raise AnswerError(doing, 200, said[0])
            for result in results:
                yield from result.get("series", ())
                unfinished = bool(result.get("partial"))
        if unfinished:
            raise StoreError(f"readings server: {doing} failed: the answer was cut short by the server's limits")


def _among(sites: Collection[str] | None) -> str:
    """The part of a condition that names sites. Names hold nothing that a string would have to escape."""
    if sites is None:
        return ""
    return "({}) AND ".format(" OR ".join(f"\"site\"='{site}'" for site in sorted(sites)))


def _windows(start_ms: int, end_ms: int) -> Iterator[str]:
    """Conditions on time that cover [start_ms, end_ms), a week each at most."""
    start_ms, end_ms = max(start_ms, -_LIMIT_MS), min(end_ms, _LIMIT_MS)
    while start_ms < end_ms:
        until_ms = min(end_ms, start_ms + _WINDOW_MS)
        yield f"time >= {start_ms}ms AND time < {until_ms}ms"
        start_ms = until_ms


def _days(duration: str) -> float:
    """A duration as these servers write them ("8760h0m0s") in days."""
    return sum(int(count) * _SECONDS[unit] for count, unit in _DURATION.findall(duration)) / 86400
