"""The simulated home from the other side: start it, move its time, ask for its truth.

Rule: the child is ended on the way out, whatever happened, by its own handle and nothing else.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from watcher.domain.errors import WatcherError
from watcher.domain.instant import iso
from watcher.simulate.ports import Ports

_PATIENCE_S = 10.0
_LINE_LIMIT = 16 * 1024 * 1024


class SimulationError(WatcherError):
    """The simulated home did not start, refused a request, or died."""


class SimulatedHome:
    """A running simulated home. `ports` says where it listens; all on loopback."""

    def __init__(self, child: asyncio.subprocess.Process, ports: Ports) -> None:
        self._child = child
        self._turn = asyncio.Lock()
        self._unanswered = 0
        self.ports = ports

    @classmethod
    @asynccontextmanager
    async def start(
        cls, seed: int, start_ms: int, scenario_path: Path, mail_folder: Path
    ) -> AsyncIterator[SimulatedHome]:
        """A home in a process of its own, at start_ms, for as long as the block runs."""
        child = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "watcher.simulate", "--seed", str(seed), "--start", iso(start_ms),
            "--scenario", str(scenario_path), "--mail-folder", str(mail_folder),
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, limit=_LINE_LIMIT,
        )  # fmt: skip
        try:
            first = await _answer(child)
            yield cls(child, Ports(int(first["modbus"]), int(first["weather"]), int(first["mail"])))
        finally:
            await _end(child)

    @property
    def process_id(self) -> int:
        return self._child.pid

    async def advance(self, now_ms: int) -> None:
        """Move the home on to an instant; afterwards it stands still there."""
        await self._ask({"now": now_ms})

    async def truth(self) -> list[dict[str, Any]]:
        """What is wrong and was, so far, in replay lines."""
        answer = await self._ask({"truth": True})
        lines: list[dict[str, Any]] = answer["truth"]
        return lines

    async def _ask(self, line: dict[str, object]) -> dict[str, Any]:
        async with self._turn:
            assert self._child.stdin is not None
            try:
                self._child.stdin.write(json.dumps(line).encode() + b"\n")
                self._unanswered += 1
                await self._child.stdin.drain()
            except OSError as error:
                raise SimulationError(f"the simulated home is gone: {error}") from error
            # An earlier caller may have been cancelled before it had its answer: the last one is ours.
            answer: dict[str, Any] = {}
            while self._unanswered:
                answer = await _answer(self._child)
                self._unanswered -= 1
        if "error" in answer:
            raise SimulationError(f"the simulated home refused {line}: {answer['error']}")
        return answer


async def _answer(child: asyncio.subprocess.Process) -> dict[str, Any]:
    assert child.stdout is not None
    line = await child.stdout.readline()
    if not line:
        code = await child.wait()
        raise SimulationError(f"the simulated home ended by itself with exit code {code}; its last words are on stderr")
    answer: dict[str, Any] = json.loads(line)
    return answer


async def _end(child: asyncio.subprocess.Process) -> None:
    assert child.stdin is not None
    child.stdin.close()  # the end of its stdin asks it to leave
    try:
        await asyncio.wait_for(child.wait(), _PATIENCE_S)
    except BaseException:
        # Also when we ourselves are being cancelled: no child is left behind.
        if child.returncode is None:
            child.kill()
            await child.wait()
        raise
