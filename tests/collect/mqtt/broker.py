"""A real broker on loopback, in a folder of its own, that may be stopped and started; and devices that publish."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

PATIENCE_S = 15.0


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


@dataclass(frozen=True)
class Certificates:
    """An authority, what it signed for the broker ("localhost") and for a client, and another authority."""

    folder: Path

    def path(self, name: str) -> Path:
        return self.folder / name

    @classmethod
    def made(cls, folder: Path) -> Self:
        folder.mkdir(parents=True, exist_ok=True)
        openssl = binary("openssl")

        def run(*arguments: str) -> None:
            subprocess.run([openssl, *arguments], cwd=folder, check=True, capture_output=True)

        key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
        for authority in ("ca", "other-ca"):
            usage = ("-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign")
            run("req", "-x509", *key, "-keyout", f"{authority}.key", "-out", f"{authority}.pem", "-days", "2",
                "-subj", f"/CN={authority}", *usage)  # fmt: skip
        for name in ("localhost", "elsewhere", "client"):
            run("req", *key, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
            (folder / "names").write_text(f"subjectAltName=DNS:{name}\nauthorityKeyIdentifier=keyid\n")
            run("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
                "-out", f"{name}.pem", "-days", "2", "-extfile", "names")  # fmt: skip
        return cls(folder)


class Broker:
    """settings: lines of its configuration beside the listener's port"""

    def __init__(self, folder: Path, *settings: str, scheme: str = "mqtt") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.port, self.scheme = free_port(), scheme
        self._binary = binary("mosquitto")
        self._folder = folder
        lines = [f"listener {self.port} 127.0.0.1", *(settings or ("allow_anonymous true",))]
        kept = ["persistence true", f"persistence_location {folder}/", "max_queued_messages 100000", "user root"]
        (folder / "mosquitto.conf").write_text("\n".join([*kept, *lines]) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"{self.scheme}://{'localhost' if self.scheme == 'mqtts' else '127.0.0.1'}:{self.port}"

    def start(self) -> Self:
        with (self._folder / "log").open("ab") as log:
            command = [self._binary, "-c", str(self._folder / "mosquitto.conf")]
            self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd=self._folder)
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
                return self
            except OSError:
                if time.monotonic() > until or self._process.poll() is not None:
                    pytest.fail("mosquitto does not start:\n" + (self._folder / "log").read_text()[-2000:])
                time.sleep(0.02)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(PATIENCE_S)
            self._process = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


class Device:
    """Something that publishes. Each message is acknowledged by the broker before the next line of the test."""

    def __init__(self, broker: Broker) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2)
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()

    def publish(self, topic: str, payload: Any, *, retain: bool = False, wait: bool = True) -> None:
        written = payload if isinstance(payload, str | bytes) else json.dumps(payload)
        sent = self.client.publish(topic, written, qos=1, retain=retain)
        if wait:
            sent.wait_for_publish(PATIENCE_S)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def until(true: Callable[[], bool], what: str = "it") -> None:
    """Wait for something another thread does."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > deadline:
            pytest.fail(f"waited in vain for {what}")
        time.sleep(0.01)
