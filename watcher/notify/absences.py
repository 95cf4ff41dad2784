"""What the operator hears of a source that brings nothing: that it is away or, where no mail went either, that it was.

Rule: one message a spell. One that could not be sent before the spell was over is replaced by one that says how long it
was; where it had gone out, nothing more is said. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from email.message import EmailMessage

from watcher.domain.trouble import Trouble
from watcher.notify.silent_references import SilentReferences


@dataclass(slots=True)
class _Spell:
    since_ms: int
    id: str
    sites: set[str] = field(default_factory=set)


class Absences:
    """after_ms: how long a source may bring nothing before it is told. away: the message of that

    back: the message of a spell that is over, from source, sites, since and until when
    """

    def __init__(
        self,
        after_ms: int,
        away: Callable[[Sequence[Trouble], int], EmailMessage],
        back: Callable[[str, Sequence[str], int, int], EmailMessage],
    ) -> None:
        self._silent, self._away, self._back = SilentReferences(after_ms), away, back
        self._spells: dict[str, _Spell] = {}

    def messages(self, troubles: Sequence[Trouble], now_ms: int) -> list[EmailMessage]:
        """What is to be said now."""
        told = []
        for found in self._silent.due(troubles, now_ms):
            message = self._away(found, now_ms)
            self._spells[found[0].source] = _Spell(min(one.since_ms for one in found), str(message["Message-ID"]))
            told.append(message)
        for trouble in troubles:
            if trouble.source in self._spells:
                self._spells[trouble.source].sites.add(trouble.site)
        for source in sorted(self._spells.keys() - {trouble.source for trouble in troubles}):
            spell = self._spells.pop(source)
            message = self._back(source, sorted(spell.sites), spell.since_ms, now_ms)
            message["In-Reply-To"] = spell.id
            told.append(message)
        return told


def settled(waiting: Sequence[EmailMessage]) -> list[EmailMessage]:
    """The messages that still need to go: of a spell that was over before that was told its end, else its begin."""
    there = {str(message["Message-ID"]) for message in waiting}
    answers = {str(message["In-Reply-To"]) for message in waiting if message["In-Reply-To"] is not None}
    return [
        message
        for message in waiting
        if str(message["Message-ID"]) not in answers
        and (message["In-Reply-To"] is None or str(message["In-Reply-To"]) in there)
    ]
