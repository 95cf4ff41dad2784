"""Where the home's mail ends: an SMTP server that keeps every message as a file.

Rule: a message is accepted only once it is on disk. `index.tsv` has one line for each: number, world time, recipients,
subject.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from email import message_from_bytes, policy
from pathlib import Path

from aiosmtpd.smtp import SMTP, Envelope, Session

from watcher.domain.instant import iso


class MailSink:
    """now_ms: the world's time, for the index."""

    def __init__(self, folder: Path, now_ms: Callable[[], int]) -> None:
        self._folder = folder
        self._now_ms = now_ms
        self._server: asyncio.Server | None = None

    async def start(self) -> int:
        """Listen on loopback; return the port."""
        self._folder.mkdir(parents=True, exist_ok=True)
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(self._session, "127.0.0.1", 0)
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    def _session(self) -> asyncio.BaseProtocol:
        return SMTP(self, hostname="mail.example.org", enable_SMTPUTF8=True)  # type: ignore[no-any-return]

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        """Called by the SMTP server with a whole message."""
        content = envelope.content if isinstance(envelope.content, bytes) else str(envelope.content).encode()
        number = 1 + max((int(path.stem) for path in self._folder.glob("*.eml") if path.stem.isdigit()), default=0)
        try:
            (self._folder / f"{number:03d}.eml").write_bytes(content)
            subject = str(message_from_bytes(content, policy=policy.default).get("Subject", ""))
            row = (f"{number:03d}", iso(self._now_ms()), ",".join(envelope.rcpt_tos), " ".join(subject.split()))
            with (self._folder / "index.tsv").open("a", encoding="utf-8") as index:
                index.write("\t".join(row) + "\n")
        except OSError as error:
            return f"451 not stored: {error}"
        return "250 stored"
