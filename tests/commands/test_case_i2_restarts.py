"""Case I2 (e) and (f): what ends inside starves the watchdog, and whoever starts us anew finds nothing said twice."""

from __future__ import annotations

import configparser
import email
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.commands.conftest import Place
from tests.commands.running import REPO, running, until
from watcher.daemon import LAST_CLOSE_S, LAST_FLUSH_S
from watcher.health_file import HealthFile, NoReport
from watcher.loops import CANCEL_S, LAST_TURN_S
from watcher.store.ledger import Ledger
from watcher.threads import LAST_WAIT_S
from watcher.watchdog import FEED_S, GUARD_S

UNIT = REPO / "deploy" / "pv-watcher.service"
FIVE_MINUTES_S = 300.0

ENDING = """if True:
    import asyncio, sys
    from pathlib import Path
    import watcher.commands.run as run
    from watcher.nightly import Nightly
    from watcher.watchdog import Guard

    class Ending(Nightly):
        def start(self):
            super().start()
            asyncio.get_running_loop().call_later(0.5, self._scheduler.shutdown, False)

    if sys.argv[2] == "ends":
        run.Nightly = Ending
    run.Guard = lambda: Guard(2.0)
    sys.exit(run.run_daemon(Path(sys.argv[1])))
"""


def unit(key: str) -> str:
    """A key of [Unit] or [Service] in the unit file."""
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(UNIT)
    return next(parser[part][key] for part in ("Unit", "Service") if key in parser[part])


@pytest.mark.slow
def test_case_i2_e_a_scheduler_that_ends_ends_the_process_which_says_so(place: Place) -> None:
    done = subprocess.run(
        [sys.executable, "-c", ENDING, str(place.config), "ends"], capture_output=True, text=True, cwd=REPO, timeout=120
    )
    assert done.returncode == 1
    assert done.stderr.count("stuck nightly: has ended; a new start is needed") == 1
    assert "no progress for 2 s: the watcher ends itself so that it can be started anew" in done.stderr
    code, out, _ = place.run("health")
    assert code == 1
    assert "watcher: ended without a word" in out


@pytest.mark.slow
def test_with_its_scheduler_alive_the_same_process_is_left_alone(place: Place) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", ENDING, str(place.config), "goes on"], cwd=REPO, stderr=subprocess.DEVNULL
    ) as child:
        try:
            with pytest.raises(subprocess.TimeoutExpired):
                child.wait(6.0)
            child.send_signal(signal.SIGTERM)
            assert child.wait(60) == 0
        finally:
            if child.poll() is None:
                child.kill()


def test_case_i2_e_five_minutes_are_enough_to_notice_under_the_service_manager_and_without() -> None:
    assert float(unit("WatchdogSec")) <= FIVE_MINUTES_S
    assert float(unit("WatchdogSec")) / 2 >= FEED_S, "one late sign of life is no reason to end"
    assert GUARD_S * 9 / 8 <= FIVE_MINUTES_S, "the thread looks eight times within its limit"


def test_case_i2_f_the_unit_file_starts_it_again_within_a_minute_for_ever_and_lets_it_stop_in_order() -> None:
    assert unit("Restart") == "always"
    assert float(unit("RestartSec")) <= 30
    assert unit("StartLimitIntervalSec") == "0"
    assert unit("Type") == "notify"
    longest_stop_s = LAST_TURN_S + CANCEL_S + 2 * LAST_FLUSH_S + 2 * LAST_CLOSE_S + 10 + 2 * LAST_WAIT_S
    assert float(unit("TimeoutStopSec")) >= longest_stop_s


def test_the_unit_file_is_one_that_the_service_manager_understands(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here")
    text = UNIT.read_text(encoding="utf-8")
    program = "/opt/pv-watcher/.venv/bin/watcher"
    copy = tmp_path / UNIT.name
    copy.write_text(text.replace(program, "/bin/true"), encoding="utf-8")
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", str(copy)], capture_output=True, text=True)
    said = [line for line in done.stderr.splitlines() if UNIT.name in line]
    assert said == []


def letters(place: Place) -> list[str]:
    """The Message-ID of every letter that went out, in order of name."""
    parse = email.message_from_bytes
    return [str(parse(path.read_bytes())["Message-ID"]) for path in sorted((place.folder / "mails").glob("*.eml"))]


def turns(place: Place, process_id: int) -> dict[str, int]:
    """How many turns each loop of a process has had, by its own report; none before its first."""
    try:
        state = HealthFile(place.files.folder).read()
    except NoReport:
        return {}
    return {loop.name: loop.turns for loop in state.loops} if state.process_id == process_id else {}


@pytest.mark.slow
def test_case_i2_f_killed_and_started_again_it_repeats_no_alert(place: Place) -> None:
    """The real program, with an alert open and its letter sent, killed in the midst of its work, three times."""
    place.import_meter()
    place.import_power()
    place.judge()
    with Ledger(place.files.ledger_url) as ledger:
        (alert,) = ledger.alerts("home-1")
        (decided,) = ledger.mails("home-1")
    first = ""
    for _ in range(3):
        with running(place.folder, watchdog_s=2.0) as daemon:
            until(lambda: len(letters(place)) >= 1, "the letter")
            first = first or letters(place)[0]
            # It has had the time to say it all again: it judges, looks into the outbox, and lives.
            daemon.told("WATCHDOG=1", 3)
            until(lambda: bool(turns(place, daemon.child.pid)), "its own report")
            daemon.signal(signal.SIGKILL)
            assert daemon.child.wait(60) == -signal.SIGKILL
        (place.folder / "notify.socket").unlink()
        code, out, _ = place.run("health")
        assert code == 1
        assert "watcher: ended without a word" in out
    with running(place.folder, watchdog_s=2.0) as daemon:
        daemon.told("WATCHDOG=1", 2)
        code, out, _ = place.run("health")
        assert (code, out.splitlines()[0]) == (0, "all is well")
        assert daemon.stop() == 0
    code, out, _ = place.run("health")
    assert code == 1
    assert "watcher: stopped" in out
    # Meanwhile it may have found more: the inverter has been silent since the day that was imported.
    with Ledger(place.files.ledger_url) as ledger:
        again = [one for one in ledger.alerts("home-1") if (one.finding, one.subject) == (alert.finding, alert.subject)]
        assert [(one.id, one.state, one.opened_ms) for one in again] == [(alert.id, alert.state, alert.opened_ms)]
        assert [mail for mail in ledger.mails("home-1") if mail.alert.id == alert.id] == [decided]
    assert letters(place).count(first) == 1
    assert len(set(letters(place))) == len(letters(place))
