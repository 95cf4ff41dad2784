"""Decides when the operator hears that sunshine is missing. Pure.

Rule: once for each source and spell, however many sites it serves, and only when it has lasted. A spell ends when none
of the source's sites is in trouble.
"""

from __future__ import annotations

from collections.abc import Sequence

from watcher.domain.trouble import Trouble


class SilentReferences:
    """after_ms: how long a source may bring nothing of use before it is told"""

    def __init__(self, after_ms: int) -> None:
        self._after_ms = after_ms
        self._told: set[str] = set()

    def due(self, troubles: Sequence[Trouble], now_ms: int) -> list[list[Trouble]]:
        """The sources to tell of now, each with all its troubles."""
        by_source: dict[str, list[Trouble]] = {}
        for trouble in troubles:
            by_source.setdefault(trouble.source, []).append(trouble)
        self._told &= by_source.keys()
        lasting = {
            source
            for source, found in by_source.items()
            if source not in self._told and any(now_ms - one.since_ms >= self._after_ms for one in found)
        }
        self._told |= lasting
        return [by_source[source] for source in sorted(lasting)]
