"""Mail into a folder: the message itself and its two faces for looking at, one set of files a message.

Rule: the name comes from the message, so writing it again replaces the same files with the same bytes; a file is
there whole or not at all.
"""

from __future__ import annotations

import hashlib
import os
import re
from datetime import UTC
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from pathlib import Path

from watcher.domain.errors import Remedy
from watcher.notify.mail_error import MailError


class FolderSink:
    """Keeps every message in `path` as .eml, .txt and .html; the folder is made when first needed."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def send(self, message: EmailMessage) -> None:
        """Returns once the files are on disk. MailError where they are not."""
        name = _name(message)
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            for kind, suffix in (("plain", ".txt"), ("html", ".html")):
                face = message.get_body((kind,))
                if face is not None:
                    self._write(name + suffix, face.get_content().encode())
            self._write(name + ".eml", message.as_bytes())
            _sync_folder(self.path)
        except OSError as error:
            raise MailError(
                Remedy.RETRY, f"mail folder {self.path}: {error.strerror or type(error).__name__}"
            ) from error

    def _write(self, name: str, content: bytes) -> None:
        unfinished = self.path / f".{name}.tmp"
        with unfinished.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(self.path / name)


def _name(message: EmailMessage) -> str:
    """ "20260609T202000Z-12-elm-road-your-solar-meter-3fa2b1c9": sorts by time, says what, and is the message's own."""
    decided = parsedate_to_datetime(message["Date"]).astimezone(UTC)
    slug = re.sub(r"[^a-z0-9]+", "-", message["Subject"].lower()).strip("-")[:48].rstrip("-")
    own = hashlib.sha256(message["Message-ID"].encode()).hexdigest()[:8]
    return f"{decided:%Y%m%dT%H%M%SZ}-{slug}-{own}"


def _sync_folder(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
