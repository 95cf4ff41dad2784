"""The simulated home as a process: its lines, its mail, its end."""

from __future__ import annotations

import asyncio
import json
import os
import smtplib
import subprocess
import sys
import time
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

import pytest
import urllib3

from watcher.domain.instant import DAY_MS, HOUR_MS, iso, parse_iso
from watcher.simulate.process import SimulatedHome, SimulationError

START = parse_iso("2026-06-08T00:00Z")


def gone(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return True
    return False


def command(demo_path: Path, folder: Path, *more: str) -> list[str]:
    return [
        sys.executable, "-m", "watcher.simulate", "--seed", "1", "--scenario", str(demo_path),
        "--mail-folder", str(folder / "mail"), *more,
    ]  # fmt: skip


def run(demo_path: Path, folder: Path, lines: str, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(demo_path, folder, "--start", "2026-06-08T00:00:00Z", *more),
        input=lines, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def test_the_home_moves_tells_the_truth_and_leaves(demo_path: Path, tmp_path: Path) -> None:
    async def go() -> None:
        async with SimulatedHome.start(1, START, demo_path, tmp_path / "mail") as home:
            assert len({home.ports.modbus, home.ports.weather, home.ports.mail}) == 3
            assert await home.truth() == []
            await home.advance(START + 4 * DAY_MS)
            string, stalled = await home.truth()
            assert (string["state"], stalled["state"]) == ("cleared", "open")
            with pytest.raises(SimulationError, match="does not go back"):
                await home.advance(START)
            target = f"latitude=53.4&longitude=-1.5&from={iso(START)}&until={iso(START + HOUR_MS)}"
            url = f"http://127.0.0.1:{home.ports.weather}/irradiance?{target}"
            answer = await asyncio.to_thread(urllib3.request, "GET", url, timeout=5)
            assert len(answer.json()["time"]) == 4
        assert gone(home.process_id)

    asyncio.run(go())


def test_the_child_is_gone_after_an_error_too(demo_path: Path, tmp_path: Path) -> None:
    homes = []

    async def go() -> None:
        async with SimulatedHome.start(1, START, demo_path, tmp_path / "mail") as home:
            homes.append(home)
            raise KeyError("the caller's own mistake")

    with pytest.raises(KeyError):
        asyncio.run(go())
    assert gone(homes[0].process_id)


def test_the_child_is_gone_after_its_user_was_cancelled(demo_path: Path, tmp_path: Path) -> None:
    homes = []

    async def go() -> None:
        ready = asyncio.Event()

        async def use() -> None:
            async with SimulatedHome.start(1, START, demo_path, tmp_path / "mail") as home:
                homes.append(home)
                ready.set()
                await asyncio.Event().wait()

        task = asyncio.create_task(use())
        await ready.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(go())
    assert gone(homes[0].process_id)


def test_a_question_called_off_leaves_the_next_answer_right(demo_path: Path, tmp_path: Path) -> None:
    async def go() -> None:
        async with SimulatedHome.start(1, START, demo_path, tmp_path / "mail") as home:
            asking = asyncio.create_task(home.advance(START + 4 * DAY_MS))
            await asyncio.sleep(0)
            asking.cancel()
            assert len(await home.truth()) == 2
            await home.advance(START + 5 * DAY_MS)
            assert [line["state"] for line in await home.truth()] == ["cleared", "cleared"]

    asyncio.run(go())


def test_a_home_that_dies_is_an_error_in_words(demo_path: Path, tmp_path: Path) -> None:
    async def go() -> None:
        async with SimulatedHome.start(1, START, demo_path, tmp_path / "mail") as home:
            os.kill(home.process_id, 9)
            with pytest.raises(SimulationError, match=r"is gone|ended by itself"):
                await home.advance(START + HOUR_MS)

    asyncio.run(go())


def test_a_scenario_that_is_wrong_does_not_start(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "wrong.toml").write_text("[sight]\n")

    async def go() -> None:
        async with SimulatedHome.start(1, START, tmp_path / "wrong.toml", tmp_path / "mail"):
            raise AssertionError("started")

    with pytest.raises(SimulationError, match="exit code 2"):
        asyncio.run(go())
    assert "sight: no such table" in capfd.readouterr().err


def test_each_line_is_answered_and_the_truth_is_written_at_the_end(demo_path: Path, tmp_path: Path) -> None:
    now = START + 3 * DAY_MS
    lines = [json.dumps({"now": now}), "nonsense", '{"now": "soon"}', '{"truth": true}', '{"quit": true}', '{"now": 0}']
    done = run(demo_path, tmp_path, "\n".join(lines) + "\n", "--truth", str(tmp_path / "truth.jsonl"))
    assert (done.returncode, done.stderr) == (0, "")
    ready, moved, nonsense, soon, truth, quit_answer = (json.loads(line) for line in done.stdout.splitlines())
    assert ready["now"] == START
    assert {"modbus", "weather", "mail"} <= ready.keys()
    assert moved == {"now": now}
    assert "error" in nonsense
    assert "error" in soon
    assert quit_answer == {"done": True}
    written = [json.loads(line) for line in (tmp_path / "truth.jsonl").read_text().splitlines()]
    assert written == truth["truth"]
    assert [line["kind"] for line in written] == ["string-open"]


def test_the_end_of_its_input_ends_it(demo_path: Path, tmp_path: Path) -> None:
    done = run(demo_path, tmp_path, "")
    assert (done.returncode, done.stderr, len(done.stdout.splitlines())) == (0, "", 1)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (["--start", "2026-06-08"], "has no time zone"),
        (["--start", "2026-06-08T00:00:01Z"], "is no whole minute"),
        ([], "--start is needed"),
        (["--start", "2126-06-08T00:00:00Z", "--real-time"], "can't lie in the future"),
    ],
)
def test_a_wrong_start_is_refused_in_words(demo_path: Path, tmp_path: Path, more: list[str], message: str) -> None:
    asked = command(demo_path, tmp_path, *more)
    done = subprocess.run(asked, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert message in done.stderr


def test_in_real_time_it_follows_the_machines_clock_until_told_to_stop(demo_path: Path, tmp_path: Path) -> None:
    child = subprocess.Popen(
        command(demo_path, tmp_path, "--real-time"), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True
    )
    try:
        assert child.stdout is not None
        ready = json.loads(child.stdout.readline())
        until = ready["now"] + 3 * HOUR_MS
        target = f"latitude=53.4&longitude=-1.5&from={iso(ready['now'])}&until={iso(until)}"
        url = f"http://127.0.0.1:{ready['weather']}/irradiance?{target}"
        first = parse_iso(urllib3.request("GET", url, timeout=5).json()["generated"])
        for _ in range(200):
            later = parse_iso(urllib3.request("GET", url, timeout=5).json()["generated"])
            if later > first:
                break
            child_still_runs = child.poll() is None
            assert child_still_runs
            time.sleep(0.05)
        assert later > first
        child.terminate()
        assert child.wait(timeout=20) == 0
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


def test_the_mail_sink_keeps_what_it_is_sent(demo_path: Path, tmp_path: Path) -> None:
    message = EmailMessage(policy=policy.SMTP)
    message["From"], message["To"], message["Subject"] = "watcher@example.org", "owner@example.org", "Zähler steht"
    message.set_content("The meter reading stands still.\n.\nA line with one dot stands above.\n")

    def send(port: int, count: int) -> None:
        with smtplib.SMTP("127.0.0.1", port, timeout=10) as client:
            for _ in range(count):
                client.send_message(message)

    async def go() -> None:
        for count in (2, 1):
            async with SimulatedHome.start(1, START, demo_path, tmp_path / "mail") as home:
                await home.advance(START + HOUR_MS)
                await asyncio.to_thread(send, home.ports.mail, count)

    asyncio.run(go())
    assert sorted(path.name for path in (tmp_path / "mail").iterdir()) == ["001.eml", "002.eml", "003.eml", "index.tsv"]
    kept = message_from_bytes((tmp_path / "mail" / "003.eml").read_bytes(), policy=policy.default)
    assert kept["Subject"] == "Zähler steht"
    assert kept.get_content().splitlines()[1] == "."
    rows = [line.split("\t") for line in (tmp_path / "mail" / "index.tsv").read_text(encoding="utf-8").splitlines()]
    assert rows[2] == ["003", "2026-06-08T01:00:00Z", "owner@example.org", "Zähler steht"]
    assert len(rows) == 3
