"""A daemon that kills itself at named points: `python -m tests.line.killed_daemon`, for the live-equals-replay test.

The real parts, with three of them wrapped so that the process dies by SIGKILL: between the rows of a batch and its
watermark, inside the transaction of an evaluation, and between a mail's acceptance and its mark in the outbox.
Standard input and output carry the stepped clock: it writes the instant it wants to step to and waits for a line.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import os
import random
import signal
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path

from watcher.clock import SteppedClock
from watcher.collect.collectors import Collected, Collector
from watcher.daemon import Daemon, Parts
from watcher.domain.reading import Appended, Reading
from watcher.notify.outbox import Sender
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files, assemble
from watcher.worker_process import WorkerProcess


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


class DyingReadings(SqliteReadings):
    """Dies between the rows of the n-th batch that has any and its watermark; says which rows it acknowledged."""

    def __init__(self, path: Path, die_at_batch: int) -> None:
        super().__init__(path)
        self._left = die_at_batch

    def append(self, batches: Mapping[str, Sequence[Reading]], now_ms: int) -> Appended:
        self._filled = any(batches.values())
        appended = super().append(batches, now_ms)
        for readings in batches.values():
            for reading in readings:
                say({"stored": [reading.channel, reading.time_ms, reading.value]})
        return appended

    def _move_watermark(self, site: int, received_ms: int) -> None:
        if self._filled:
            self._left -= 1
            if self._left == 0:
                die()
        super()._move_watermark(site, received_ms)


class DyingSender:
    """Dies after the n-th mail was accepted and before anyone could mark it."""

    def __init__(self, inner: Sender, die_at_mail: int) -> None:
        self._inner, self._left = inner, die_at_mail

    def send(self, message: EmailMessage) -> None:
        self._inner.send(message)
        self._left -= 1
        if self._left == 0:
            die()


class Doubling:
    """A collector whose answers sometimes come twice, as a bus with retries has them."""

    def __init__(self, inner: Collector, chance: random.Random) -> None:
        self.name, self.every_s, self.first_s = inner.name, inner.every_s, inner.first_s
        self._inner, self._chance = inner, chance

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        collected = await self._inner.collect(now_ms, monotonic)
        if self._chance.random() < 0.2:
            return replace(collected, readings=collected.readings + collected.readings)
        return collected

    async def close(self) -> None:
        await self._inner.close()


def say(line: Mapping[str, object]) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


async def _run(options: argparse.Namespace) -> None:
    async def ask_leave(now_ms: int) -> None:
        say({"now": now_ms})
        await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)

    clock = SteppedClock(options.start, before_step=ask_leave)
    files = Files((options.config.parent / "data").absolute())
    parts = _dying(assemble(options.config, clock), files, options)
    daemon = Daemon(parts)

    async def end() -> None:
        await clock.sleep_until((options.until - options.start) / 1000)
        daemon.stop.set()
        clock.leave()

    clock.join()
    ending = asyncio.create_task(end())
    await daemon.run()
    await ending


def _dying(parts: Parts, files: Files, options: argparse.Namespace) -> Parts:
    os.environ["DIE_AT_COMMIT"] = str(options.commit)
    parts.readings.close()
    chance = random.Random(f"{options.seed} {options.start}")
    return replace(
        parts,
        collectors=[Doubling(collector, chance) for collector in parts.collectors],
        readings=DyingReadings(files.readings, options.batch),
        senders=[DyingSender(sender, options.mail) for sender in parts.senders],
        space=str,  # it would ask the readings that were closed above
        judge=WorkerProcess(files.readings, files.ledger_url, resident=True, module=options.worker),
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("config", type=Path)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--start", type=int, required=True)
    parser.add_argument("--until", type=int, required=True)
    parser.add_argument("--batch", type=int, default=0)
    parser.add_argument("--commit", type=int, default=0)
    parser.add_argument("--mail", type=int, default=0)
    parser.add_argument("--worker", default="tests.line.killed_worker")
    options = parser.parse_args()
    logging.basicConfig(filename=options.config.parent / "daemon.log", level=logging.INFO)
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    asyncio.run(_run(options))


if __name__ == "__main__":
    main()
