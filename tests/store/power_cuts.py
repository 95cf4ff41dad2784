"""Power cuts, and what is left after them: python -m tests.store.power_cuts --count 200 [--io-errors]

Each cut ends a real daemon on real files in one of four ways, drawn from a seed:
- kill: SIGKILL at a random moment between and inside transactions;
- unsynced: the disk forgets some of what was written since the last fsync (power_shim.c);
- torn, garbled: after a kill, a write-ahead log ends early, or 512 bytes of it are noise.

Then it is started again as a service manager would, and goes on. Nothing acknowledged is lost by a kill or a cut;
where the log itself was damaged, what is left is a prefix of whole transactions. Nothing is ever there twice.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests.cases.scripted import INDEX, SITE, value_of
from tests.store.cut_daemon import CHANNELS, EVERY_MS
from watcher.store.opening import open_stores
from watcher.wiring import Files

REPO = Path(__file__).resolve().parents[2]
KINDS = ("kill", "unsynced", "torn", "kill", "unsynced", "garbled", "kill", "unsynced", "torn", "garbled")
A_BATCH = 60_000 // EVERY_MS + 1
"""Instants of the one batch that can be under way; the minute that may be lost."""


class Unsafe(AssertionError):  # noqa: N818
    """A promise was broken."""


@dataclass(slots=True)
class Cuts:
    """A folder through its cuts. acknowledged: instants the store said it has. events: how many the ledger said"""

    folder: Path
    shim: Path | None
    chance: random.Random
    acknowledged: set[int] = field(default_factory=set)
    events: int = 0
    counts: Counter[str] = field(default_factory=Counter)

    @property
    def files(self) -> Files:
        return Files(self.folder)

    def cut(self, kind: str) -> None:
        """One life of the daemon and its end, then everything that was promised."""
        self._live(kind)
        if kind in ("torn", "garbled"):
            self._damage_a_log(kind)
        self.counts[kind] += 1
        self._check(damaged=kind in ("torn", "garbled"))

    def _live(self, kind: str) -> None:
        environment = dict(os.environ)
        if kind == "unsynced":
            assert self.shim is not None
            environment |= {
                "LD_PRELOAD": str(self.shim),
                "POWER_FOLDER": f"{self.folder}/",
                "POWER_CUT_AT": str(self.chance.randint(1, 600)),
                "POWER_SEED": str(self.chance.randrange(2**31)),
            }
        lines, pause_s = self.chance.randint(1, 60), self.chance.uniform(0.0, 0.004)
        with subprocess.Popen(
            [sys.executable, "-m", "tests.store.cut_daemon", "live", str(self.folder)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=REPO,
        ) as daemon:  # fmt: skip
            assert daemon.stdout is not None
            assert daemon.stderr is not None
            for number, line in enumerate(daemon.stdout):
                if not line.endswith("\n"):
                    break
                self._hear(json.loads(line))
                if kind != "unsynced" and number == lines:
                    time.sleep(pause_s)
                    daemon.kill()
            errors = daemon.stderr.read()
        if daemon.returncode != -9:
            raise Unsafe(f"the daemon ended by itself with {daemon.returncode}: {errors}")

    def _hear(self, line: dict[str, object]) -> None:
        if isinstance(stored := line.get("stored"), list):
            self.acknowledged |= set(stored)
            self.counts["batches"] += 1
        elif isinstance(number := line.get("event"), int):
            self.events = number
        elif damages := line.get("damages"):
            raise Unsafe(f"found damaged at the next start, after it was looked at: {damages}")

    def _damage_a_log(self, kind: str) -> None:
        log = Path(f"{self.chance.choice([self.files.readings, self.files.ledger])}-wal")
        if not log.exists() or not log.stat().st_size:
            return
        content = bytearray(log.read_bytes())
        at = self.chance.randrange(len(content))
        if kind == "torn":
            del content[at:]
        else:
            content[at : at + 512] = self.chance.randbytes(min(512, len(content) - at))
        log.write_bytes(content)

    def _check(self, damaged: bool) -> None:
        """Open the stores as the daemon does, and look at everything in them."""
        stores = open_stores(self.files.readings, self.files.ledger, 0)
        with stores.readings as readings, stores.ledger as ledger:
            window = readings.window(SITE, None, 0, 2**50, 2**50)
            through_ms = readings.received_through(SITE) or 0
            count = readings.count(SITE)
            events, _ = ledger.events(SITE, 2**62)
        for file in (self.files.readings, self.files.ledger):
            connection = sqlite3.connect(file)
            (said,) = connection.execute("PRAGMA integrity_check").fetchone()
            connection.close()
            if said != "ok":
                raise Unsafe(f"{file.name}: {said}")
        set_aside = bool(stores.damages)
        if set_aside and not damaged:
            raise Unsafe(f"a cut alone damaged a file: {[str(damage) for damage in stores.damages]}")
        self.counts["set aside"] += set_aside
        stored = set(window[INDEX].time_ms) if INDEX in window else set()
        for name, column in window.items():
            if name in CHANNELS and (set(column.time_ms) != stored or len(column) != len(stored)):
                raise Unsafe(f"half a batch: {name}")
            if any(value != value_of(name, at) for at, value in zip(column.time_ms, column.value, strict=True)
                   if name in CHANNELS):  # fmt: skip
                raise Unsafe(f"a value of {name} is another")
        if count != sum(map(len, window.values())):
            raise Unsafe("a row is there twice")
        self._compare(stored, through_ms, [int(event.values["n"]) for event in events], damaged, set_aside)
        self.acknowledged, self.events = stored, len(events)

    def _compare(self, stored: set[int], through_ms: int, events: list[int], damaged: bool, set_aside: bool) -> None:
        lost, more = self.acknowledged - stored, stored - self.acknowledged
        if len(more) > A_BATCH:
            raise Unsafe(f"{len(more)} instants nobody acknowledged")
        self.counts["under way"] += bool(more)
        if events != list(range(1, len(events) + 1)):
            raise Unsafe("events with a hole")
        if not damaged and (lost or len(events) < self.events):
            raise Unsafe(f"acknowledged and lost: {len(lost)} instants, {self.events - len(events)} events")
        if damaged and not set_aside and any(at < through_ms for at in lost):
            raise Unsafe("no prefix of whole transactions is left")
        self.counts["instants of damaged logs"] += len(lost)


def built_shim(folder: Path) -> Path | None:
    """The preloaded library, or None where there is no compiler."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        return None
    library = folder / "power_shim.so"
    source = Path(__file__).with_name("power_shim.c")
    subprocess.run(
        [compiler, "-O2", "-Wall", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl", "-lpthread"], check=True
    )
    return library


def cut(folder: Path, count: int, seed: int, shim: Path | None) -> Counter[str]:
    """So many cuts, on new files after each twenty-five; raises Unsafe where a promise was broken."""
    chance, total = random.Random(seed), Counter[str]()
    for begin in range(0, count, 25):
        place = folder / f"cuts-{begin}"
        place.mkdir()
        cuts = Cuts(place, shim, chance)
        for number in range(begin, min(begin + 25, count)):
            kind = KINDS[number % len(KINDS)]
            cuts.cut("kill" if kind == "unsynced" and shim is None else kind)
        total += cuts.counts
        shutil.rmtree(place)
    return total


def io_errors(folder: Path, shim: Path, first: int, step: int) -> list[dict[str, int]]:
    """A scripted hour with an error at each write in turn; what became of each."""
    place = folder / "hours"
    environment = dict(os.environ) | {"LD_PRELOAD": str(shim), "POWER_FOLDER": f"{place}/"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.store.cut_daemon", "hours", str(place), str(first), str(step)],
        capture_output=True, text=True, env=environment, cwd=REPO, check=False,
    )  # fmt: skip
    if done.returncode:
        raise Unsafe(done.stderr)
    return [json.loads(line) for line in done.stdout.splitlines()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20260621)
    parser.add_argument("--io-errors", action="store_true", help="an error at each write of a scripted hour, too")
    options = parser.parse_args()
    # Beside the repository and not in memory: syncing is what is tried here.
    with tempfile.TemporaryDirectory(dir=REPO, prefix=".cuts-") as name:
        folder = Path(name)
        shim = built_shim(folder)
        began = time.monotonic()
        for what, number in sorted(cut(folder, options.count, options.seed, shim).items()):
            print(f"{what}: {number}")
        print(f"lost though acknowledged: 0; doubled: 0 ({time.monotonic() - began:.0f} s)")
        if options.io_errors and shim is not None:
            tried = io_errors(folder, shim, 1, 1)
            broken = [one["error_at"] for one in tried if not one["whole"]]
            again = sum(one["starts"] > 1 for one in tried)
            print(
                f"an error at each of {len(tried)} writes of an hour: {len(broken)} lost rows {broken}, {again} starts"
            )


if __name__ == "__main__":
    main()
