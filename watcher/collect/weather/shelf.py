"""Answers and manners on disk, so that a restart asks nothing that was asked before.

Rule: a file is written beside its place and renamed, so it is whole or not there. It is a convenience: what cannot be
read is no answer, what cannot be written costs a question later and nothing else. The folder stays below its limit;
the answers kept longest ago go first.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from watcher.collect.weather.manners import Manners

log = logging.getLogger(__name__)

LIMIT_BYTES = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Kept:
    """An answer with its question: asked_ms when, from_ms and until_ms for which periods."""

    asked_ms: int
    from_ms: int
    until_ms: int
    body: bytes


class Shelf:
    """folder: made when it is first needed. limit_bytes: of all answers together"""

    def __init__(self, folder: Path, limit_bytes: int = LIMIT_BYTES) -> None:
        self._folder, self._limit_bytes = folder, limit_bytes
        self._complained = False

    def answer(self, key: str) -> Kept | None:
        """The answer kept under a key; None where there is none that can be read."""
        try:
            head, _, body = self._place(key, "answer").read_bytes().partition(b"\n")
            told = json.loads(head)
            if told["key"] != key or told["length"] != len(body):
                return None
            return Kept(int(told["asked_ms"]), int(told["from_ms"]), int(told["until_ms"]), body)
        except (OSError, ValueError, TypeError, KeyError):
            return None

    def keep_answer(self, key: str, kept: Kept) -> None:
        head = {"key": key, "asked_ms": kept.asked_ms, "from_ms": kept.from_ms, "until_ms": kept.until_ms}
        self._write(
            self._place(key, "answer"), json.dumps({**head, "length": len(kept.body)}).encode() + b"\n" + kept.body
        )
        self._make_room()

    def manners(self, address: str) -> Manners:
        """What is known of a service; as of one never asked where nothing can be read."""
        try:
            told = json.loads(self._place(address, "manners").read_bytes())
            return Manners(**{name: int(told[name]) for name in asdict(Manners())})
        except (OSError, ValueError, TypeError, KeyError):
            return Manners()

    def keep_manners(self, address: str, manners: Manners) -> None:
        self._write(self._place(address, "manners"), json.dumps(asdict(manners)).encode())

    def _place(self, key: str, kind: str) -> Path:
        return self._folder / f"{hashlib.sha256(key.encode()).hexdigest()[:32]}.{kind}"

    def _write(self, place: Path, content: bytes) -> None:
        beside = place.with_name(place.name + ".new")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            beside.write_bytes(content)
            os.replace(beside, place)
        except OSError as error:
            if not self._complained:  # a full disk is said once, not with every answer
                self._complained = True
                log.warning("weather-answers-not-kept folder=%s error=%s", self._folder, error)
            with suppress(OSError):
                beside.unlink(missing_ok=True)

    def _make_room(self) -> None:
        with suppress(OSError):
            there = [(one.stat(), one) for one in self._folder.glob("*.answer")]
            total = sum(stat.st_size for stat, _ in there)
            for stat, one in sorted(there, key=lambda entry: entry[0].st_mtime_ns):
                if total <= self._limit_bytes:
                    return
                one.unlink(missing_ok=True)
                total -= stat.st_size
