"""How much memory the two processes take: python -m tests.bench.footprint

The daemon runs as the service manager would start it, against the simulated home in real time, polling every second.
The worker is asked to catch up on 30 days of 20 channels at minute polls, in a store of the ordinary kind. Beside
each stands a bare interpreter that imports the same libraries and does nothing else. Goals: daemon 60 MB, worker at
its peak 300 MB.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from tests.bench.year import BEGIN_MS, SITE, bare_chain, readings, site_text
from tests.commands.running import SCENARIO, running, simulated_home
from watcher.domain.instant import DAY_MS, GRID_MS, MINUTE_MS, iso
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.site import site_text as simulated_site_text
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files

DAEMON_GOAL_MB, WORKER_GOAL_MB = 60.0, 300.0
DAYS = 30
LISTENING_S = 30
WATCHER = """
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "watch@example.org"
folder = "mails"
[operator]
email = "operator@example.org"
"""


def memory_mb(process_id: int, field: str) -> float:
    """A figure of /proc/PID/status: VmRSS now, VmHWM at its highest."""
    for line in Path(f"/proc/{process_id}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(f"{field}:"):
            return int(line.split()[1]) / 1024
    raise ValueError(f"no {field} of process {process_id}")


def bare_mb(imports: str) -> float:
    """What an interpreter takes that only imports."""
    text = (
        f"import {imports}\nprint(open('/proc/self/status').read())"
        if imports
        else "print(open('/proc/self/status').read())"
    )
    out = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True).stdout
    return next(int(line.split()[1]) / 1024 for line in out.splitlines() if line.startswith("VmRSS:"))


def daemon() -> None:
    scenario = parse_scenario(SCENARIO.read_text(encoding="utf-8"), str(SCENARIO))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "watcher.toml").write_text(WATCHER, encoding="utf-8")
        (folder / "sites").mkdir()
        with simulated_home(folder) as ports:
            text = simulated_site_text(scenario, ports, every_s=1.0)
            (folder / "sites" / "larkfield.toml").write_text(text, encoding="utf-8")
            with running(folder) as watching:
                watching.told("READY=1")
                at_start = memory_mb(watching.child.pid, "VmRSS")
                time.sleep(LISTENING_S)
                now, peak = (memory_mb(watching.child.pid, field) for field in ("VmRSS", "VmHWM"))
                watching.stop()
        with SqliteReadings.open_reader(Files(folder / "data").readings) as store:
            rows = store.count("larkfield")
    print(f"daemon: {now:.1f} MB after {LISTENING_S} polls ({rows} rows), {at_start:.1f} at READY, peak {peak:.1f}")
    print(f"  bare interpreter {bare_mb(''):.1f} MB; with the same libraries {bare_mb(LIBRARIES):.1f} MB")
    print(f"  goal: at most {DAEMON_GOAL_MB:.0f} MB; {'met' if now <= DAEMON_GOAL_MB else 'missed'}")


LIBRARIES = "asyncio, ssl, sqlite3, urllib3, sqlalchemy, pymodbus.client, apscheduler.schedulers.asyncio"


def worker() -> None:
    middles = BEGIN_MS + GRID_MS // 2 + np.arange(DAYS * DAY_MS // GRID_MS, dtype=np.int64) * GRID_MS
    made = bare_chain(pd.DatetimeIndex(pd.to_datetime(middles, unit="ms", utc=True)))
    with tempfile.TemporaryDirectory() as name:
        files = Files(Path(name))
        end_ms = BEGIN_MS + DAYS * DAY_MS
        with SqliteReadings(files.readings) as store, Ledger(files.ledger_url) as ledger:
            rows = store.append_history(SITE, readings(DAYS, MINUTE_MS, *made), end_ms + DAY_MS).new
            ledger.put_version(SITE, site_text(60.0), end_ms)
        command = [sys.executable, "-m", "watcher.worker", str(files.readings), files.ledger_url]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
            assert child.stdin is not None
            assert child.stdout is not None
            began = time.perf_counter()
            child.stdin.write(json.dumps({"evaluate": [SITE]}) + "\n")
            child.stdin.flush()
            (answer,) = json.loads(child.stdout.readline())["judged"]
            took = time.perf_counter() - began
            peak, now = (memory_mb(child.pid, field) for field in ("VmHWM", "VmRSS"))
            child.stdin.close()
    if answer.get("evaluated_until", "") < iso(end_ms):
        raise SystemExit(f"the worker did not catch up: {answer}")
    print(f"worker: peak {peak:.1f} MB while catching up {DAYS} days ({rows} rows) in {took:.1f} s, {now:.1f} MB after")
    print(f"  bare interpreter with pvlib {bare_mb('pvlib'):.1f} MB, with numpy alone {bare_mb('numpy'):.1f} MB")
    print(f"  goal: at most {WORKER_GOAL_MB:.0f} MB; {'met' if peak <= WORKER_GOAL_MB else 'missed'}")


def main() -> None:
    daemon()
    worker()


if __name__ == "__main__":
    main()
