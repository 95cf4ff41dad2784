"""Where the server is and how it is spoken to."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Self

STORE_TOKEN = "WATCHER_STORE_TOKEN"
"""The environment variable in which a token is handed to a process of our own."""


class ServerKind(StrEnum):
    """How rows are read; all are written alike."""

    INFLUXQL = "influxql"  # InfluxDB 1.8 or newer, 2 and 3: /query
    VICTORIA_METRICS = "victoria-metrics"  # a single node: /api/v1/export


@dataclass(frozen=True, slots=True)
class ServerSettings:
    """One server, and the place on it.

    url: without a path of the protocol ("http://store.example.org:8086")
    bucket: or "database/retention-policy" of an InfluxDB 1.x; VictoriaMetrics has none
    token: gives it out when asked; "user:password" for an InfluxDB 1.x with a login
    keep_days: how long the server must keep rows; checked at start
    """

    kind: ServerKind
    url: str
    bucket: str = ""
    org: str = ""
    token: Callable[[], str] | None = None
    keep_days: int = 3650

    def as_text(self) -> str:
        """All but the token, for another process."""
        return json.dumps([self.kind, self.url, self.bucket, self.org, self.keep_days])

    @classmethod
    def from_text(cls, text: str, token: str | None) -> Self:
        """What as_text wrote, and the token that came another way."""
        kind, url, bucket, org, keep_days = json.loads(text)
        return cls(ServerKind(kind), url, bucket, org, None if token is None else lambda: token, keep_days)
