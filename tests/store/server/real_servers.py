"""Real servers for the tests: Debian's binaries on loopback, each in a folder of its own, ended by its own handle."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import time
from abc import ABC, abstractmethod
from collections.abc import Mapping
from pathlib import Path

import pytest
import urllib3

from watcher.store.server.lines import MEASUREMENT
from watcher.store.server.settings import ServerKind, ServerSettings

PATIENCE_S = 20.0


def binary(name: str) -> str:
    """The path of an installed program; the test skips where it is absent, and fails in CI."""
    for path in (shutil.which(name), f"/usr/sbin/{name}", f"/usr/bin/{name}"):
        if path is not None and os.access(path, os.X_OK):
            return path
    message = f"{name} is not installed"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class RealServer(ABC):
    """One server, which may be killed and started again on the same folder and port."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.port = folder, free_port()
        self.http = urllib3.PoolManager(retries=False, timeout=10.0)
        self._processes: list[subprocess.Popen[bytes]] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    @abstractmethod
    def settings(self) -> ServerSettings: ...

    @abstractmethod
    def start(self) -> None: ...

    @abstractmethod
    def flush(self) -> None:
        """Have what was written shown as soon as may be."""

    @abstractmethod
    def count(self) -> int:
        """How many values it shows."""

    def kill(self) -> None:
        """As a power cut does."""
        for process in self._processes:
            process.kill()
            process.wait()
        self._processes.clear()

    def stop(self) -> None:
        for process in reversed(self._processes):
            process.send_signal(signal.SIGTERM)
            process.wait(PATIENCE_S)
        self._processes.clear()

    def shows(self, count: int) -> None:
        """Wait until it shows as many values."""
        until = time.monotonic() + PATIENCE_S
        while (seen := self.count()) != count:
            if time.monotonic() > until:
                pytest.fail(f"the server shows {seen} values, not {count}")
            self.flush()
            time.sleep(0.05)

    def get(self, path: str, fields: Mapping[str, str] | None = None, method: str = "GET") -> bytes:
        return self.http.request(method, self.url + path, fields=fields or {}).data

    def _run(self, name: str, *command: str) -> None:
        with (self.folder / f"{name}.log").open("ab") as log:
            self._processes.append(subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder))

    def _wait_for(self, path: str, status: int) -> None:
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                if self.http.request("GET", self.url + path).status == status:
                    return
            except urllib3.exceptions.HTTPError:
                pass
            if time.monotonic() > until:
                logs = "\n".join(path.read_text()[-2000:] for path in self.folder.glob("*.log"))
                pytest.fail(f"{type(self).__name__} does not start:\n{logs}")
            time.sleep(0.02)


class VictoriaServer(RealServer):
    """VictoriaMetrics, a single node."""

    flags: tuple[str, ...] = ("-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms")

    @property
    def settings(self) -> ServerSettings:
        return ServerSettings(ServerKind.VICTORIA_METRICS, self.url)

    def start(self) -> None:
        self._run(
            "server", binary("victoria-metrics"), f"-storageDataPath={self.folder / 'store'}",
            f"-httpListenAddr=127.0.0.1:{self.port}", "-memory.allowedBytes=200MB", *self.flags,
        )  # fmt: skip
        self._wait_for("/health", 200)

    def flush(self) -> None:
        self.get("/internal/force_flush")

    def count(self) -> int:
        lines = self.get("/api/v1/export", {"match[]": f"{MEASUREMENT}_value", "start": "0", "end": "9000000000"})
        times: dict[str, set[int]] = {}
        for line in lines.splitlines():
            piece = json.loads(line)
            times.setdefault(json.dumps(piece["metric"]), set()).update(piece["timestamps"])
        return sum(map(len, times.values()))


class InfluxServer(RealServer):
    """InfluxDB 1.6, with the path that came with 1.8 written onto its older one by nginx in front of it.

    database: may be set to another one, which `create` makes
    """

    database = "watcher"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._inner, self._rpc = free_port(), free_port()

    @property
    def settings(self) -> ServerSettings:
        return ServerSettings(ServerKind.INFLUXQL, self.url, bucket=self.database, org="home")

    def start(self) -> None:
        (self.folder / "influxdb.conf").write_text(f"""
reporting-disabled = true
bind-address = "127.0.0.1:{self._rpc}"
[meta]
dir = "{self.folder}/meta"
[data]
dir = "{self.folder}/data"
wal-dir = "{self.folder}/wal"
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{self._inner}"
log-enabled = false
""")
        (self.folder / "nginx.conf").write_text(f"""
daemon off; master_process off; pid {self.folder}/nginx.pid; error_log stderr;
events {{}}
http {{
  access_log off; client_max_body_size 50m; proxy_read_timeout 60s;
  client_body_temp_path {self.folder}/t1; proxy_temp_path {self.folder}/t2; fastcgi_temp_path {self.folder}/t3;
  uwsgi_temp_path {self.folder}/t4; scgi_temp_path {self.folder}/t5;
  server {{
    listen 127.0.0.1:{self.port};
    location = /api/v2/write {{
      set $db x; if ($arg_bucket ~ "^([^/%]+)") {{ set $db $1; }}
      set $pr $arg_precision; if ($pr = us) {{ set $pr u; }} if ($pr = "") {{ set $pr n; }}
      proxy_pass http://127.0.0.1:{self._inner}/write?db=$db&precision=$pr;
    }}
    location / {{ proxy_pass http://127.0.0.1:{self._inner}; proxy_buffering off; proxy_http_version 1.1; }}
  }}
}}
""")
        self._run("server", binary("influxd"), "-config", str(self.folder / "influxdb.conf"))
        self._run("nginx", binary("nginx"), "-p", str(self.folder), "-c", str(self.folder / "nginx.conf"))
        self._wait_for("/ping", 204)
        self.create(self.database)

    def create(self, database: str) -> None:
        self.database = database
        self.query(f'CREATE DATABASE "{database}"')

    def query(self, text: str) -> bytes:
        return self.get("/query", {"q": text, "db": self.database, "epoch": "ms"}, "POST")

    def flush(self) -> None:
        """It shows what it said it has."""

    def count(self) -> int:
        answer = json.loads(self.query(f'SELECT count("value") FROM "{MEASUREMENT}"'))
        series = answer["results"][0].get("series", [])
        return int(series[0]["values"][0][1]) if series else 0
