"""The writing end: ready-made lines to /api/v2/write, by influxdb-client. The only importer of it (26 MB).

Rule: a refusal of the lines themselves is told apart from a server that cannot take any just now.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from watcher.domain.errors import StoreError
from watcher.store.server.settings import ServerSettings

TIMEOUT_MS = 20_000

# The client's constants are texts; its own annotation asks for the class that holds them.
_MILLISECONDS = cast("WritePrecision", WritePrecision.MS)

_THE_LINES = (400, 413, 422)


class RefusedLinesError(StoreError):
    """The server will not have these lines, or one of them; the others of the batch may have been stored."""

    def __init__(self, status: int, why: str) -> None:
        super().__init__(f"readings server: refused, status {status}: {why}")
        self.why = f"status {status}: {why}"


class Post:
    """Sends batches, one request each."""

    def __init__(self, settings: ServerSettings) -> None:
        # VictoriaMetrics has no buckets and drops the name; the client wants one.
        self._bucket, self._org = settings.bucket or "-", settings.org or "-"
        token = settings.token() if settings.token is not None else ""
        self._client = InfluxDBClient(
            url=settings.url.rstrip("/"), token=token, org=self._org, timeout=TIMEOUT_MS, enable_gzip=True
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)

    def send(self, lines: Sequence[str]) -> None:
        """Returns once the server has said that it has them, which is not yet proof.

        RefusedLinesError where it is the lines; another StoreError where trying again may help.
        """
        try:
            self._writer.write(self._bucket, self._org, "\n".join(lines), write_precision=_MILLISECONDS)
        except ApiException as error:
            why = " ".join(str(error.body or error.reason).split())[:300]
            if error.status in _THE_LINES:
                raise RefusedLinesError(error.status, why) from error
            raise StoreError(f"readings server: writing failed: status {error.status}: {why}") from error
        except HTTPError as error:
            raise StoreError(f"readings server: writing failed: {error}") from error

    def close(self) -> None:
        self._client.close()  # type: ignore[no-untyped-call]
