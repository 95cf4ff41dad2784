"""`watcher run` as a service manager sees it: a process, a socket it notifies, a log, signals."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from watcher.simulate.ports import Ports

PATIENCE_S = 60.0
REPO = Path(__file__).resolve().parents[2]
SCENARIO = REPO / "watcher" / "simulate" / "scenarios" / "demo.toml"


def until(true: Callable[[], bool], what: str) -> None:
    """Wait for something that must come about; fails where it does not."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.05)


@contextmanager
def simulated_home(folder: Path) -> Iterator[Ports]:
    """The simulated home on the machine's own clock, for as long as the block runs."""
    child = subprocess.Popen(
        [
            sys.executable, "-m", "watcher.simulate", "--seed", "1", "--scenario", str(SCENARIO),
            "--mail-folder", str(folder / "arrived"), "--real-time",
        ],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=REPO,
    )  # fmt: skip
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        first = json.loads(child.stdout.readline())
        yield Ports(first["modbus"], first["weather"], first["mail"])
    finally:
        child.terminate()
        child.wait(PATIENCE_S)
        child.stdin.close()
        child.stdout.close()


class Running:
    """A running daemon. states: what it told the service manager, in order."""

    def __init__(self, child: subprocess.Popen[bytes], channel: socket.socket, log: Path) -> None:
        self.child, self._channel, self._log = child, channel, log
        self.states: list[str] = []

    @property
    def log(self) -> str:
        return self._log.read_text(encoding="utf-8")

    def told(self, state: str, times: int = 1) -> None:
        """Wait until a state has been told so many times since the start."""
        self._channel.settimeout(PATIENCE_S)
        while self.states.count(state) < times:
            self.states.append(self._channel.recv(4096).decode())

    def drain(self) -> None:
        """Take in what was told without waiting."""
        self._channel.setblocking(False)
        try:
            while True:
                self.states.append(self._channel.recv(4096).decode())
        except BlockingIOError:
            pass

    def signal(self, number: signal.Signals) -> None:
        self.child.send_signal(number)

    def stop(self) -> int:
        """SIGTERM, and the exit code."""
        self.signal(signal.SIGTERM)
        return self.child.wait(PATIENCE_S)


@contextmanager
def running(folder: Path, watchdog_s: float | None = None) -> Iterator[Running]:
    """`watcher run` with the watcher file in a folder; ended by its own handle whatever happens."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        address = str(folder / "notify.socket")
        channel.bind(address)
        environment = {**os.environ, "NOTIFY_SOCKET": address}
        environment.pop("WATCHDOG_USEC", None)
        if watchdog_s is not None:
            environment["WATCHDOG_USEC"] = str(round(watchdog_s * 1e6))
        log = folder / "run.log"
        with log.open("wb") as stderr:
            child = subprocess.Popen(
                [sys.executable, "-m", "watcher.cli", "run", "--config", str(folder / "watcher.toml")],
                stderr=stderr, stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL, env=environment, cwd=REPO,
            )  # fmt: skip
        try:
            yield Running(child, channel, log)
        finally:
            if child.poll() is None:
                child.kill()
            child.wait(PATIENCE_S)
