"""What the store asks of a server when it reads, and the HTTP underneath.

Rule: an answer is whole or an error. One that breaks off, is cut short by the server's own limits or cannot be read is
never taken for fewer rows.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from math import inf
from typing import Protocol

import urllib3
from urllib3.exceptions import ConnectTimeoutError, HTTPError, NewConnectionError

from watcher.domain.errors import Problem, StoreError
from watcher.store.server.columns import Columns
from watcher.store.server.settings import ServerSettings

CONNECT_S, READ_S = 5.0, 60.0

AWAY_S = 5.0
"""A server that could not be reached is not tried again for so long: who has a thousand questions must not wait for
each of them."""


class Engine(Protocol):
    """The reading end of a server. StoreError where it cannot be asked or its answer is not whole."""

    def kept(self, channel: str, time_ms: int, value: float) -> float:
        """The value as the server will give it back. ValueError for one it cannot keep."""
        ...

    def rows(self, sites: Collection[str] | None, start_ms: int, end_ms: int) -> Columns:
        """All rows with start_ms <= time < end_ms of some sites, or of all."""
        ...

    def lates(self, site: str, start_ms: int, end_ms: int) -> Iterator[tuple[str, int, int]]:
        """Channel, time and receipt of rows that did not come on time, with start_ms <= time < end_ms."""
        ...

    def first(self, site: str) -> int | None:
        """The time of the site's oldest row."""
        ...

    def check(self) -> list[Problem]:
        """What would lose rows, in words; the place of a problem is left to the caller. StoreError: it is away."""
        ...

    def close(self) -> None: ...


class AnswerError(StoreError):
    """The server answered, and not with what was asked for. status: of HTTP."""

    def __init__(self, doing: str, status: int, text: str) -> None:
        super().__init__(f"readings server: {doing} failed: status {status}: {text}")
        self.status, self.text = status, text


class Http:
    """GET requests to one server."""

    def __init__(self, settings: ServerSettings) -> None:
        self._url = settings.url.rstrip("/")
        token = settings.token
        self._headers = {} if token is None else {"Authorization": f"Token {token()}"}
        self._away_until = -inf
        self._pool = urllib3.PoolManager(
            retries=False, timeout=urllib3.Timeout(connect=CONNECT_S, read=READ_S), maxsize=2
        )

    def lines(self, doing: str, path: str, fields: Mapping[str, str]) -> Iterator[bytes]:
        """The lines of an answer as they come. AnswerError where it is not one of status 200."""
        with self._failing_as(doing):
            answer = self._pool.request(
                "GET", self._url + path, fields=fields, headers=self._headers, preload_content=False, redirect=False
            )
            whole = False
            try:
                if answer.status != 200:
                    raise AnswerError(doing, answer.status, answer.data[:300].decode("utf-8", "replace").strip())
                yield from answer
                whole = True
            finally:
                # A connection whose answer was not read to its end is of no more use.
                answer.release_conn() if whole else answer.close()

    def text(self, doing: str, path: str, fields: Mapping[str, str]) -> str:
        return b"".join(self.lines(doing, path, fields)).decode("utf-8", "replace")

    def close(self) -> None:
        self._pool.clear()

    @contextmanager
    def _failing_as(self, doing: str) -> Iterator[None]:
        """Turn what the network says into an error that says what was being done."""
        if time.monotonic() < self._away_until:
            raise StoreError(f"readings server: {doing} failed: it could not be reached a moment ago")
        try:
            yield
        except HTTPError as error:
            if isinstance(error, NewConnectionError | ConnectTimeoutError):
                self._away_until = time.monotonic() + AWAY_S
            raise StoreError(f"readings server: {doing} failed: {error}") from error
