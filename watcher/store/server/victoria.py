"""VictoriaMetrics as a readings server: raw rows by /api/v1/export.

Rule: nothing that computes on its side is used for rows (a range query fills in between samples). It keeps values as
decimal numbers, so they are rounded on the way in to what it gives back exactly (lines.py).
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator

from watcher.domain.errors import Problem, StoreError
from watcher.store.server.columns import Column, Columns
from watcher.store.server.engine import AnswerError, Http
from watcher.store.server.lines import MEASUREMENT, RECEIVED, VALUE, decimals, in_range, rounded
from watcher.store.server.settings import ServerSettings

_VALUES, _RECEIPTS = f"{MEASUREMENT}_{VALUE}", f"{MEASUREMENT}_{RECEIVED}"
_LAST_MS = 2**53  # later than any row; as seconds still a number it reads

# As the server reads them: 5m is five minutes, M a month of 31 days, and a bare number months.
_DAYS = {"": 31.0, "h": 1 / 24, "d": 1.0, "w": 7.0, "M": 31.0, "y": 365.0}

# Not /flags: that names only those somebody has set, and it is the others that drop rows.
_FLAG = re.compile(r'^flag\{name="([A-Za-z.]+)", value="([^"]*)"', re.MULTILINE)

# Flags that change how lines become metrics, and the value under which ours arrive as they are read.
_NEEDED_FLAGS = {
    "influxMeasurementFieldSeparator": "_",
    "influxSkipSingleField": "false",
    "influxSkipMeasurement": "false",
    "influxTrimTimestamp": "1ms",
}


class VictoriaMetrics:
    """A single node. Its clustered form, whose paths are others, is not spoken to."""

    def __init__(self, settings: ServerSettings) -> None:
        self._settings, self._http = settings, Http(settings)

    def kept(self, channel: str, time_ms: int, value: float) -> float:
        return rounded(in_range(channel, time_ms, value), decimals(channel))

    def rows(self, sites: Collection[str] | None, start_ms: int, end_ms: int) -> Columns:
        columns: Columns = {}
        match = f'{{__name__=~"{_VALUES}|{_RECEIPTS}"{_among(sites)}}}'
        # One request for both: in two, a row could arrive between them and lose its receipt.
        for name, site, channel, times, values in self._export("reading rows", match, start_ms, end_ms):
            column = columns.setdefault((site, channel), Column())
            if name == _VALUES:
                column.extend(times, values)
            else:
                column.received.update(zip(times, map(round, values), strict=True))
        for column in columns.values():
            column.settle()
        return {key: column for key, column in columns.items() if column.time_ms}

    def lates(self, site: str, start_ms: int, end_ms: int) -> Iterator[tuple[str, int, int]]:
        match = f"{_RECEIPTS}{{{_among([site])[1:]}}}"
        for _, _, channel, times, values in self._export("looking for late rows", match, start_ms, end_ms):
            for time_ms, received_ms in zip(times, values, strict=True):
                yield channel, time_ms, round(received_ms)

    def first(self, site: str) -> int | None:
        # Fifty years is as far as it looks back without leaving its own calendar (from 1970).
        query = f"min(tfirst_over_time({_VALUES}{{{_among([site])[1:]}}}[50y]))"
        text = self._http.text("reading the oldest row", "/api/v1/query", {"query": query, "nocache": "1"})
        try:
            found = json.loads(text)["data"]["result"]
            return round(float(found[0]["value"][1]) * 1000) if found else None
        except (ValueError, LookupError, TypeError) as error:
            raise StoreError(f"readings server: reading the oldest row failed: {text[:200]!r}") from error

    def check(self) -> list[Problem]:
        try:
            flags = dict(_FLAG.findall(self._http.text("asking for its settings", "/metrics", {})))
        except AnswerError as error:
            if error.status in (401, 403):
                return [Problem("", "store.token_file", "", f"is refused by the server: {error.text}")]
            if error.status >= 500:
                raise
            return [Problem("", "store.url", self._settings.url, f"does not answer as VictoriaMetrics does: {error}")]
        return [Problem("", "store.url", self._settings.url, text) for text in _wrong(flags, self._settings.keep_days)]

    def close(self) -> None:
        self._http.close()

    def _export(
        self, doing: str, match: str, start_ms: int, end_ms: int
    ) -> Iterator[tuple[str, str, str, list[int], list[float]]]:
        """Name, site, channel, times and values; one series may come in several pieces, in no order."""
        start_ms, end_ms = max(start_ms, 0), min(end_ms, _LAST_MS)
        if end_ms <= start_ms:
            return
        # Its bounds are both included.
        fields = {"match[]": match, "start": f"{start_ms / 1000:.3f}", "end": f"{(end_ms - 1) / 1000:.3f}"}
        for line in self._http.lines(doing, "/api/v1/export", fields):
            try:
                piece = json.loads(line)
                labels = piece["metric"]
                yield labels["__name__"], labels["site"], labels["channel"], piece["timestamps"], piece["values"]
            except (ValueError, LookupError, TypeError) as error:
                raise StoreError(f"readings server: {doing} failed: {line[:200]!r} is no answer") from error


def _among(sites: Collection[str] | None) -> str:
    """The part of a label match that names sites. Names hold nothing but letters, digits, hyphen, underline and dot."""
    if sites is None:
        return ""
    return ',site=~"{}"'.format("|".join(site.replace(".", "[.]") for site in sorted(sites)))


def _wrong(flags: dict[str, str], keep_days: int) -> Iterator[str]:
    if "retentionPeriod" not in flags:
        yield "does not answer as VictoriaMetrics does: it does not say with which flags it runs"
        return
    kept_days = _retention_days(flags["retentionPeriod"])
    if kept_days < keep_days:
        yield (
            f"keeps rows for {kept_days:.0f} days (-retentionPeriod={flags['retentionPeriod']}) and drops older ones "
            f"without a word; {keep_days} are asked for: start it with -retentionPeriod=100y"
        )
    if flags.get("dedup.minScrapeInterval", "0s") in ("", "0s", "0"):
        yield "keeps a row that is sent twice twice: start it with -dedup.minScrapeInterval=1ms"
    for flag, needed in _NEEDED_FLAGS.items():
        if flags.get(flag, needed) != needed:
            yield f"runs with -{flag}={flags[flag]}, under which rows are stored by other names: it must be {needed}"


def _retention_days(text: str) -> float:
    match = re.fullmatch(r"([0-9.]+)([a-zA-Z]?)", text)
    if match is None or match[2] not in _DAYS:
        return 0.0
    return float(match[1]) * _DAYS[match[2]]
