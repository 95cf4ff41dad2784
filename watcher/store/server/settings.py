"""Where the server is and how it is spoken to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


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
