"""Why a message did not go, in words, and what it means for the next one.

Rule: the text names host and reason and never holds a password.
"""

from __future__ import annotations

from enum import StrEnum

from watcher.domain.errors import Remedy, WatcherError


class Concerns(StrEnum):
    """What a failure says about other mail."""

    SERVER = "server"  # nothing else would go either
    ADDRESS = "address"  # this message or this address alone


class MailError(WatcherError):
    """One message was not accepted."""

    def __init__(self, remedy: Remedy, text: str, concerns: Concerns = Concerns.SERVER) -> None:
        super().__init__(text)
        self.remedy, self.text, self.concerns = remedy, text, concerns
