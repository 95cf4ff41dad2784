"""`watcher pages` and the pages beside a daemon: started, served, ended, as a person does it."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest
import urllib3

from tests.web.made_pages import NOW, Folder, alert
from watcher.cli import main
from watcher.clock import SteppedClock
from watcher.commands.demo import pages_lines
from watcher.config import load_watcher
from watcher.config.pages_table import PagesConfig
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, iso
from watcher.web.server import pages_server


def test_pages_are_served_as_they_were_and_end_in_order(folder: Folder) -> None:
    """The fault of home-2 was told an hour after it began; before that nothing was said of it."""
    opened_ms = NOW - 4 * DAY_MS + HOUR_MS
    for at_ms, shown in ((opened_ms - HOUR_MS, False), (NOW, True)):
        command = [sys.executable, "-m", "watcher.cli", "pages", "--config", str(folder.config), "--at", iso(at_ms)]
        with subprocess.Popen([*command, "--port", str(_free_port())], stdout=subprocess.PIPE, text=True) as served:
            try:
                assert served.stdout is not None
                said = re.search(r"http://[0-9.:]+", served.stdout.readline())
                assert said is not None
                retries = urllib3.Retry(connect=50, backoff_factor=0.1, backoff_max=0.5)
                with urllib3.PoolManager() as pool:
                    text = pool.request("GET", f"{said[0]}/home/home-2", retries=retries).data.decode()
            finally:
                served.send_signal(signal.SIGTERM)
        assert served.wait(20) == 0
        assert ("One row of your solar panels gives no power." in text) is shown


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def test_a_port_that_is_taken_costs_the_pages_and_nothing_else(
    folder: Folder, caplog: pytest.LogCaptureFixture
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        server = pages_server(load_watcher(folder.config), SteppedClock(NOW), PagesConfig(port=port))
        server.start()
        while "cannot be listened on" not in caplog.text:
            assert server.lives()
        assert server.lives(), "it waits, and tries again"
        server.stop()


def test_the_link_of_a_display_is_printed_and_opens_it(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["pages", "--config", str(folder.config), "--display", "home-1"]) == 0
    link = capsys.readouterr().out.strip()
    assert link.startswith("http://127.0.0.1:8341/home/home-1/display?token=")
    with folder.client() as client:
        assert "All is well" in client.get(link.removeprefix("http://127.0.0.1:8341")).text
    assert main(["pages", "--config", str(folder.config), "--display", "nowhere"]) == 2
    assert "no such site" in capsys.readouterr().err


def test_the_demo_ends_with_the_pages_as_the_homeowner_and_as_the_installer() -> None:
    lines = list(pages_lines(Path("out/watcher.toml"), "larkfield", [alert("larkfield", cleared_ms=NOW)]))
    assert f"pages --config out/watcher.toml --at {iso(NOW - GRID_MS)}" in lines[0]
    assert "http://127.0.0.1:8341/home/larkfield" in lines[1]
    assert "http://127.0.0.1:8341/sites" in lines[2]


def test_a_daemon_with_pages_loads_no_model_stack() -> None:
    program = "import sys, watcher.web.server; print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    assert "starlette" in said
    assert {"numpy", "pandas", "pvlib", "matplotlib", "PIL"}.isdisjoint(said)
