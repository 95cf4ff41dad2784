"""The daemon's end of the worker: starts the process, asks it, and lets it go or keeps it."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from watcher.domain.errors import WatcherError
from watcher.store.server.settings import STORE_TOKEN, ServerSettings
from watcher.store.trouble import StoreDamaged

log = logging.getLogger(__name__)


class WorkerError(WatcherError):
    """The worker died, said nothing in time, or could not judge a site. Asking again may help."""


class SitesNotJudged(WorkerError):  # noqa: N818  it says what is so
    """The round came to its end, and some sites could not be judged in it; the others were."""


class WorkerProcess:
    """A worker that stays (resident) or is started for each round and ends with it."""

    def __init__(
        self,
        readings: Path,
        ledger_url: str,
        *,
        resident: bool,
        timeout_s: float = 600.0,
        module: str = "watcher.worker",
        server: ServerSettings | None = None,
        told: Callable[[Sequence[dict[str, Any]]], None] | None = None,
    ) -> None:
        """readings: the file, or the spool where there is a server. told: given what neighbours tell"""
        self._command = [sys.executable, "-m", module, str(readings), ledger_url]
        self._environment = dict(os.environ)
        if server is not None:
            self._command += ["--server", server.as_text()]
            if server.token is not None:  # not on the command line, which everybody may read
                self._environment[STORE_TOKEN] = server.token()
        self._resident, self._timeout_s, self._told = resident, timeout_s, told
        self._process: asyncio.subprocess.Process | None = None

    @property
    def process_id(self) -> int | None:
        """Of the worker that is running; None where none is."""
        return self._process.pid if self._process is not None and self._process.returncode is None else None

    async def judge(self, sites: Sequence[str]) -> None:
        """Have everything due judged. SitesNotJudged where some were not, after the others were; StoreDamaged where
        that is so because a store's file is damaged; WorkerError where there was no answer.
        """
        try:
            answer = await asyncio.wait_for(self._ask({"evaluate": list(sites)}), self._timeout_s)
        except TimeoutError:
            await self._kill()
            raise WorkerError(f"no answer within {self._timeout_s:.0f} s") from None
        finally:
            if not self._resident:
                await self.close()
        if self._told is not None:
            self._told(answer.get("told", ()))
        failed = [f"{one['site']}: {one['error']}" for one in answer["judged"] if "error" in one]
        if any("damaged" in one for one in answer["judged"]):
            raise StoreDamaged("; ".join(failed))
        if failed:
            raise SitesNotJudged("; ".join(failed))

    async def close(self) -> None:
        """End of input ends the worker; one that does not go is killed."""
        process, self._process = self._process, None
        if process is None or process.returncode is not None:
            return
        assert process.stdin is not None
        process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), 10.0)
        except TimeoutError:
            process.kill()
            await process.wait()

    async def _ask(self, request: dict[str, object]) -> dict[str, list[dict[str, Any]]]:
        process = await self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(request).encode() + b"\n")
        await process.stdin.drain()
        line = await process.stdout.readline()
        if not line:
            code = await process.wait()
            self._process = None
            raise WorkerError(f"the worker ended with exit code {code}")
        answer: dict[str, list[dict[str, Any]]] = json.loads(line)
        return answer

    async def _running(self) -> asyncio.subprocess.Process:
        if self._process is None or self._process.returncode is not None:
            self._process = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=2**22,
                env=self._environment,
            )
        return self._process

    async def _kill(self) -> None:
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            process.kill()
            await process.wait()
