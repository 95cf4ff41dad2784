"""One live day in stepped time with kills, and what is left of it on disk."""

from __future__ import annotations

import asyncio
import email
import json
import random
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.simulate.process import SimulatedHome
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.site import site_text
from watcher.wiring import Files

SCENARIO = Path(__file__).with_name("day.toml")
START_MS = parse_iso("2026-06-21T03:00:00Z")
UNTIL_MS = START_MS + 15 * HOUR_MS
SITE = "oakend"
REPO = Path(__file__).resolve().parents[2]


@dataclass(slots=True)
class LiveDay:
    """folder: the data folder. kills: named points that were reached. stored: rows the store acknowledged.

    delivered: how often each Message-ID arrived at the mail server
    """

    folder: Path
    kills: list[str] = field(default_factory=list)
    stored: set[tuple[str, int, float]] = field(default_factory=set)
    delivered: Counter[str] = field(default_factory=Counter)

    @property
    def files(self) -> Files:
        return Files((self.folder / "data").absolute())


async def live_day(folder: Path, seed: int, worker: str = "tests.line.killed_worker") -> LiveDay:
    """Run the day; the daemon dies once at each of the three points, is started again some minutes later."""
    chance = random.Random(seed)
    plan = [("batch", chance.randint(3, 60)), ("commit", chance.randint(4, 25)), ("mail", chance.randint(1, 2))]
    chance.shuffle(plan)
    day = LiveDay(folder)
    scenario = parse_scenario(SCENARIO.read_text(encoding="utf-8"), str(SCENARIO))
    async with SimulatedHome.start(seed, START_MS, SCENARIO, folder / "arrived") as home:
        (folder / "sites").mkdir()
        (folder / "sites" / f"{SITE}.toml").write_text(site_text(scenario, home.ports, every_s=300.0), encoding="utf-8")
        (folder / "watcher.toml").write_text(_watcher_file(home.ports.mail), encoding="utf-8")
        now_ms = START_MS
        while now_ms < UNTIL_MS:
            kind, count = plan.pop(0) if plan else ("", 0)
            now_ms, died = await _run_once(day, home, seed, now_ms, kind, count, worker)
            if not died:
                break
            day.kills.append(kind)
            now_ms += chance.randint(1, 25) * MINUTE_MS + chance.randint(0, 59) * 1000
            await home.advance(now_ms)
        # Whatever happened near the end: one quiet run more, so that the outbox is empty and all is judged.
        after_ms = UNTIL_MS + MINUTE_MS
        await home.advance(after_ms)
        await _run_once(day, home, seed, after_ms, "", 0, worker, until_ms=after_ms + HOUR_MS)
    for letter in (folder / "arrived").glob("*.eml"):
        day.delivered[str(email.message_from_bytes(letter.read_bytes())["Message-ID"])] += 1
    return day


async def _run_once(
    day: LiveDay,
    home: SimulatedHome,
    seed: int,
    now_ms: int,
    kind: str,
    count: int,
    worker: str,
    until_ms: int = UNTIL_MS,
) -> tuple[int, bool]:
    """One life of the daemon, to a kill or to the end; the instant it had reached and whether it was killed."""
    kill = (f"--{kind}", str(count)) if kind else ()
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.line.killed_daemon", str(day.folder / "watcher.toml"), "--seed", str(seed),
        "--start", str(now_ms), "--until", str(until_ms), "--worker", worker, *kill,
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, cwd=REPO,
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stdin is not None
    try:
        async for line in child.stdout:
            said = json.loads(line)
            if "stored" in said:
                channel, time_ms, value = said["stored"]
                day.stored.add((channel, time_ms, value))
                continue
            await home.advance(said["now"])
            now_ms = said["now"]
            child.stdin.write(b"\n")
        code = await child.wait()
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()
    if code not in (0, -9):
        raise RuntimeError(f"the daemon ended with exit code {code}; see {day.folder / 'daemon.log'}")
    return now_ms, code == -9


def _watcher_file(mail_port: int) -> str:
    return f"""
data_folder = "data"
sites_folder = "sites"

[mail]
sender = "watch@installer.example.org"
host = "127.0.0.1"
port = {mail_port}
security = "none"

[worker]
resident = true
evaluate_every_s = 900

[operator]
email = "operator@installer.example.org"
"""
