"""The watcher file's table of the readings store: a file in the data folder, or a server.

Rule: what a kind of store does not have is refused, so that nobody believes it is used.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from watcher.config.checked_toml import Keys, Page, one_of, shown, text, whole
from watcher.config.secret_keys import secret_keys, secret_of
from watcher.domain.errors import Problem
from watcher.store.server.settings import ServerKind, ServerSettings

IN_A_FILE = "sqlite"
LEAST_DAYS = 90
"""Days settle anew for 45 days, and a detector's window reaches back two weeks before that."""
_THIS_MACHINE = re.compile(r"http://(localhost|127\.0\.0\.1|\[::1\])(:\d+)?/?")

STORE: Keys = {
    "kind": one_of((IN_A_FILE, *map(str, ServerKind))),
    "url": text(
        r"https?://[A-Za-z0-9.\[\]:-]+(/[A-Za-z0-9._~/-]*)?",
        "must be the address of the server without user or password, such as https://store.example.org:8086",
    ),
    "bucket": text(r"[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)?", "must be a bucket, or database/policy of an InfluxDB 1.x"),
    "org": text(),
    "keep_days": whole(1, 36_500, "how long readings are kept"),
    **secret_keys("token"),
}


def store_of(
    page: Page, store: Mapping[str, Any], beside: Path, environment: Mapping[str, str], warnings: list[Problem]
) -> ServerSettings | None:
    """The server that the table names; None for a file, or where the page says what is wrong."""
    kind = store.get("kind", IN_A_FILE)
    if kind == IN_A_FILE:
        for key, value in store.items():
            if key == "keep_days" and value < LEAST_DAYS:
                page.wrong(
                    "store.keep_days",
                    f"must be at least {LEAST_DAYS}: late sunshine changes days gone by",
                    shown(value),
                )
            elif key not in ("kind", "keep_days"):
                page.wrong(f"store.{key}", 'belongs to a server; kind is "sqlite", which is a file', shown(value))
        return None
    token = secret_of(page, "store", "token", store, beside, environment, warnings)
    url = store.get("url", "")
    if "url" not in store:
        page.wrong("store.url", f'missing; kind = "{kind}" is a server')
    if kind == ServerKind.INFLUXQL and "bucket" not in store:
        page.wrong("store.bucket", f'missing; kind = "{kind}" keeps readings in one')
    if kind == ServerKind.VICTORIA_METRICS:
        for key in ("bucket", "org"):
            if key in store:
                page.wrong(f"store.{key}", "VictoriaMetrics has none", shown(store[key]))
    if token is not None and url.startswith("http:") and _THIS_MACHINE.fullmatch(url) is None:
        warnings.append(page.problem("store.url", "sends the token readable to all on the way; use https", shown(url)))
    return ServerSettings(
        kind=ServerKind(kind),
        url=url,
        bucket=store.get("bucket", ""),
        org=store.get("org", ""),
        token=token.reveal if token is not None else None,
        **({"keep_days": store["keep_days"]} if "keep_days" in store else {}),
    )
