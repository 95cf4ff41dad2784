"""The servers that the store is tried on, and one store on each of them and in a file."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from kept import InFile, Kept, OnServer
from real_servers import InfluxServer, RealServer, VictoriaServer

_databases = itertools.count(1)


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[VictoriaServer]:
    server = VictoriaServer(tmp_path / "victoria")
    server.start()
    yield server
    server.kill()


@pytest.fixture(scope="session")
def influx_process(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxServer]:
    server = InfluxServer(tmp_path_factory.mktemp("influx"))
    server.start()
    yield server
    server.kill()


@pytest.fixture
def influx(influx_process: InfluxServer) -> InfluxServer:
    """A database of its own on one server."""
    influx_process.create(f"watcher-{next(_databases)}")
    return influx_process


@pytest.fixture
def influx_of_its_own(own_server: Callable[[str], RealServer]) -> InfluxServer:
    """One that may be stopped and started."""
    server = own_server("influx")
    assert isinstance(server, InfluxServer)
    return server


@pytest.fixture(params=["victoria", "influx"])
def server(request: pytest.FixtureRequest) -> RealServer:
    found: RealServer = request.getfixturevalue(request.param)
    return found


@pytest.fixture
def own_server(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[str], RealServer]]:
    """Servers that a test may kill: by name, each with a process of its own."""
    started: list[RealServer] = []

    def start(name: str) -> RealServer:
        kinds: dict[str, type[RealServer]] = {"victoria": VictoriaServer, "influx": InfluxServer}
        server = kinds[name](tmp_path / "own")
        started.append(server)
        server.start()
        return server

    yield start
    for server in started:
        server.kill()


@pytest.fixture(params=["sqlite", "victoria", "influx"])
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Kept]:
    """An empty store: in a file, on VictoriaMetrics, on InfluxDB."""
    path = tmp_path / "readings.sqlite"
    with InFile(path) if request.param == "sqlite" else OnServer(path, request.getfixturevalue(request.param)) as made:
        yield made
