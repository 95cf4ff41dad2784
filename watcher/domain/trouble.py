"""What a source of readings suffers from while it brings nothing of use. The operator's matter, not the homeowner's."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Trouble:
    """source: whom we ask (an address). site, device: for whom. since_ms: first noticed. why: in words"""

    source: str
    site: str
    device: str
    since_ms: int
    why: str
