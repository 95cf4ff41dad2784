"""A kill between any two statements of a commit leaves the ledger as it was before."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from itertools import count
from pathlib import Path

from ledger_samples import SITE, T0, alert, run, whole_evaluation

from watcher.domain.alert import AlertState
from watcher.domain.evaluation import Evaluation
from watcher.domain.instant import GRID_MS, HOUR_MS
from watcher.store.ledger import Ledger

COMMITTER = Path(__file__).with_name("commit_until_killed.py")


def contents(path: Path) -> list[str]:
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    lines = list(connection.iterdump())
    connection.close()
    return lines


def test_case_e2_a_kill_inside_a_commit_leaves_nothing_half(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    with Ledger(f"sqlite:///{path}") as ledger:
        # A run to be joined and an alert to be changed, so that every kind of statement comes up.
        standing = alert(T0 + GRID_MS, AlertState.SUSPECTED)
        ledger.commit(Evaluation(SITE, T0, T0, runs=(run(T0, T0),), alerts=(standing,)), None)
    before = contents(path)
    for fatal_statement in count(1):
        done = subprocess.run(
            [sys.executable, str(COMMITTER), str(path), str(fatal_statement)],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode == 0:
            break
        assert done.returncode == -signal.SIGKILL, done.stderr
        assert contents(path) == before
    assert int(done.stdout) == fatal_statement - 1 > 10
    evaluation = whole_evaluation(T0 + GRID_MS, T0 + HOUR_MS)
    with Ledger(f"sqlite:///{path}") as ledger:
        assert ledger.evaluated_until(SITE) == evaluation.last_ms
        assert ledger.runs(SITE)[0] == run(T0, T0 + HOUR_MS, loss_mwh=2 * 12_345)
        assert len(ledger.alerts(SITE)) == 2
        assert tuple(ledger.mails(SITE)) == evaluation.mails
